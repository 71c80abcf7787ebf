package notify

import (
	"context"
	"crypto/tls"
	"errors"
	"io"
	"log"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"

	"ringwarden/fleet"
)

// A postOffice is a mail server of another make, which takes mail as its fields say.
type postOffice struct {
	mu       sync.Mutex
	user     string // wants a login; empty: none
	rcpt     error  // what it answers to the recipient
	data     error  // and to the message
	letters  []string
	logins   int
	insecure bool // mail came over a plain connection
}

func (p *postOffice) NewSession(c *smtp.Conn) (smtp.Session, error) {
	_, secure := c.TLSConnectionState()
	return &counter{office: p, secure: secure}, nil
}

// A counter is one connection to a post office.
type counter struct {
	office *postOffice
	secure bool
	in     bool
}

func (c *counter) AuthMechanisms() []string {
	if c.office.user == "" {
		return nil
	}
	return []string{sasl.Plain}
}

func (c *counter) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if user != c.office.user || password != "k0rnblume" {
			return errors.New("wrong")
		}
		c.in = true
		c.office.mu.Lock()
		defer c.office.mu.Unlock()
		c.office.logins++
		return nil
	}), nil
}

func (c *counter) Mail(string, *smtp.MailOptions) error {
	if c.office.user != "" && !c.in {
		return smtp.ErrAuthRequired
	}
	return nil
}

func (c *counter) Rcpt(string, *smtp.RcptOptions) error { return c.office.rcpt }

func (c *counter) Data(r io.Reader) error {
	b, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	if c.office.data != nil {
		return c.office.data
	}
	c.office.mu.Lock()
	defer c.office.mu.Unlock()
	c.office.letters = append(c.office.letters, string(b))
	c.office.insecure = c.office.insecure || !c.secure
	return nil
}

func (c *counter) Reset()        {}
func (c *counter) Logout() error { return nil }

// opens lets a post office take mail on loopback, and returns its address.
func (p *postOffice) opens(t *testing.T, config *tls.Config, implicit bool) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	server := smtp.NewServer(p)
	server.Domain, server.TLSConfig, server.ErrorLog = "test", config, log.New(io.Discard, "", 0)
	server.AllowInsecureAuth = config == nil
	if implicit {
		l = tls.NewListener(l, config)
	}
	done := make(chan struct{})
	go func() { defer close(done); _ = server.Serve(l) }()
	t.Cleanup(func() { _ = server.Close(); <-done })
	return address
}

// mailing returns the sink of mail to Maren.
func mailing(t *testing.T, m fleet.Mail) (sink, *plan) {
	t.Helper()
	f := mill()
	m.From = "ringwarden@mill.example"
	if m.User != "" {
		m.PasswordFile = secretFile(t, "k0rnblume")
	}
	f.Notify = fleet.Notify{Mail: &m, People: []fleet.Person{{Name: "Maren", Mail: "maren@mill.example"}}, Routes: []fleet.Route{{To: []string{"Maren"}}}}
	plan := newPlan(f)
	s, err := plan.sink(Channel{Via: ViaMail, Person: "Maren"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return s, plan
}

var toMaren = Channel{Via: ViaMail, Person: "Maren"}

// Mail arrives over STARTTLS and over implicit TLS, with a login; it says what it should, and twice the same if it is
// sent twice.
func TestMailArrives(t *testing.T) {
	cert, ca := certificate(t)
	config := &tls.Config{Certificates: []tls.Certificate{cert}}
	for _, way := range []fleet.MailTLS{fleet.StartTLS, fleet.ImplicitTLS} {
		office := &postOffice{user: "ringwarden"}
		s, plan := mailing(t, fleet.Mail{Server: office.opens(t, config, way == fleet.ImplicitTLS), TLS: way, User: "ringwarden", CA: ca})
		m := note(plan, toMaren)
		m.Items[0].Alarm.Text = "Fernhollow Mill: 21 °C at Zoë’s loft.\r\nBcc: everybody@mill.example"
		for range 2 {
			if err := s.send(t.Context(), m); err != nil {
				t.Fatalf("%s: %v", way, err)
			}
		}
		if len(office.letters) != 2 || office.letters[0] != office.letters[1] || office.insecure || office.logins != 2 {
			t.Fatalf("%s: %d letters, %d logins, plain: %v", way, len(office.letters), office.logins, office.insecure)
		}
		letter, err := mail.ReadMessage(strings.NewReader(office.letters[0]))
		if err != nil {
			t.Fatal(err)
		}
		subject, err := new(mime.WordDecoder).DecodeHeader(letter.Header.Get("Subject"))
		if want := "High: Fernhollow Mill: 21 °C at Zoë’s loft. Bcc: everybody@mill.example"; err != nil || subject != want {
			t.Errorf("subject is %q, %v; want %q", subject, err, want)
		}
		body, err := io.ReadAll(quotedprintable.NewReader(letter.Body))
		if err != nil || !strings.Contains(string(body), "Please see to it now.") {
			t.Errorf("body is %q, %v", body, err)
		}
		for name, want := range map[string]string{
			"Message-Id": "<" + m.ID + "@mill.example>", "To": "<maren@mill.example>", "From": "<ringwarden@mill.example>",
			"Auto-Submitted": "auto-generated", "Bcc": "",
		} {
			if got := letter.Header.Get(name); got != want {
				t.Errorf("%s is %q, want %q", name, got, want)
			}
		}
	}
}

// A password never travels in the clear, and mail neither unless the fleet file says so.
func TestMailWantsTLS(t *testing.T) {
	office := &postOffice{}
	address := office.opens(t, nil, false)
	for _, m := range []fleet.Mail{{TLS: fleet.StartTLS}, {TLS: fleet.StartTLS, User: "ringwarden"}, {TLS: fleet.ImplicitTLS}} {
		m.Server = address
		s, plan := mailing(t, m)
		want := "it does not offer STARTTLS"
		if m.TLS == fleet.ImplicitTLS {
			want = "it speaks no TLS at this port"
		}
		if err := s.send(t.Context(), note(plan, toMaren)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: mail went out in the clear, or it is not said why not: %v", m, err)
		}
	}
	cert, _ := certificate(t)
	stranger := &postOffice{}
	s, plan := mailing(t, fleet.Mail{Server: stranger.opens(t, &tls.Config{Certificates: []tls.Certificate{cert}}, false), TLS: fleet.StartTLS})
	if err := s.send(t.Context(), note(plan, toMaren)); err == nil {
		t.Error("a server whose certificate nobody signed got mail")
	}
	if len(office.letters)+len(stranger.letters) != 0 {
		t.Errorf("%d and %d letters arrived", len(office.letters), len(stranger.letters))
	}
	s, plan = mailing(t, fleet.Mail{Server: address, TLS: fleet.NoTLS})
	if err := s.send(t.Context(), note(plan, toMaren)); err != nil || len(office.letters) != 1 {
		t.Errorf("tls none: %v, %d letters", err, len(office.letters))
	}
}

// An address that does not exist is given up at once; what may be better tomorrow is tried again: RFC 5321, 4.2.1 and
// 4.2.3. No error holds the password.
func TestMailRefused(t *testing.T) {
	cert, ca := certificate(t)
	config := &tls.Config{Certificates: []tls.Certificate{cert}}
	reply := func(code int) error { return &smtp.SMTPError{Code: code, Message: "no"} }
	for _, c := range []struct {
		what   string
		office *postOffice
		final  bool
	}{
		{"unknown address", &postOffice{rcpt: reply(550)}, true},
		{"content refused", &postOffice{data: reply(554)}, true},
		{"come back later", &postOffice{rcpt: reply(450)}, false},
		{"disk full", &postOffice{data: reply(452)}, false},
		{"other user", &postOffice{user: "somebody"}, false},
		{"no login", &postOffice{rcpt: reply(530)}, false},
	} {
		s, plan := mailing(t, fleet.Mail{Server: c.office.opens(t, config, false), TLS: fleet.StartTLS, User: "ringwarden", CA: ca})
		if c.office.user == "" {
			s.(*mailer).server.User = ""
		}
		err := s.send(t.Context(), note(plan, toMaren))
		if err == nil || errors.As(err, new(refusal)) != c.final || strings.Contains(err.Error(), "k0rnblume") {
			t.Errorf("%s: %v; final: want %v", c.what, err, c.final)
		}
	}
}

// A mail server that greets and then says nothing, or closes after it took the mail, neither holds the program nor
// gets the mail twice.
func TestMailServersThatMisbehave(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var took sync.WaitGroup
	took.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			took.Go(func() { rudeServer(c) })
		}
	})
	s, plan := mailing(t, fleet.Mail{Server: l.Addr().String(), TLS: fleet.NoTLS})
	if err := s.send(t.Context(), note(plan, toMaren)); err != nil {
		t.Errorf("it took the mail and then closed: %v", err)
	}
	silent, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	s, plan = mailing(t, fleet.Mail{Server: silent.Addr().String(), TLS: fleet.NoTLS})
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	start := time.Now()
	if err := s.send(ctx, note(plan, toMaren)); err == nil || time.Since(start) > 5*time.Second {
		t.Errorf("a silent server: %v after %v", err, time.Since(start))
	}
	l.Close()
	took.Wait()
}

// rudeServer takes one mail and closes without a word after the receipt.
func rudeServer(c net.Conn) {
	defer c.Close()
	say := func(s string) { _, _ = io.WriteString(c, s+"\r\n") }
	say("220 test")
	buffer, data := make([]byte, 4096), false
	var text string
	for {
		n, err := c.Read(buffer)
		if err != nil {
			return
		}
		text += string(buffer[:n])
		switch {
		case data && strings.HasSuffix(text, "\r\n.\r\n"):
			say("250 taken")
			return
		case data, !strings.HasSuffix(text, "\r\n"):
			continue
		case strings.HasPrefix(text, "DATA"):
			data = true
			say("354 go on")
		default:
			say("250 ok")
		}
		text = ""
	}
}
