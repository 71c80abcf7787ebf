package notify

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/wneessen/go-mail"

	"ringwarden/fleet"
)

// mailTime bounds each step of handing over a mail.
const mailTime = 20 * time.Second

// A mailer hands mail for one person to the server of the fleet file.
type mailer struct {
	plan   *plan
	server *fleet.Mail
	to     string
	host   string
	port   int
	tls    *tls.Config
	dial   Dial
}

func newMailer(p *plan, server *fleet.Mail, to string, dial Dial) (*mailer, error) {
	host, port, err := net.SplitHostPort(server.Server)
	if err != nil {
		return nil, fmt.Errorf("the mail server: %w", err)
	}
	number, err := strconv.Atoi(port)
	if err != nil {
		return nil, fmt.Errorf("the mail server's port: %w", err)
	}
	config, err := tlsConfig(server.CA, host)
	if err != nil {
		return nil, err
	}
	if dial == nil {
		dial = (&net.Dialer{Timeout: dialTime}).DialContext
	}
	return &mailer{p, server, to, host, number, config, dial}, nil
}

func (m *mailer) check() error {
	if m.server.User == "" {
		return nil
	}
	return checkSecret(m.server.PasswordFile)
}

// send is done when the server has taken the mail, whatever becomes of the connection after that.
func (m *mailer) send(ctx context.Context, msg *Message) error {
	letter, err := m.letter(msg)
	if err != nil {
		return refusal{err}
	}
	line := &line{mailer: m}
	defer line.close()
	// The library gives no connection back where the greeting fails, and does not end with ctx after dialling.
	defer context.AfterFunc(ctx, line.close)()
	client, err := m.client(line)
	if err != nil {
		return err
	}
	session, err := client.DialToSMTPClientWithContext(ctx)
	if err != nil {
		return fmt.Errorf("handing mail to %s: %w", m.server.Server, plainly(err, fleet.Span(mailTime)))
	}
	err = client.SendWithSMTPClient(session, letter)
	if letter.IsDelivered() {
		_ = client.CloseWithSMTPClient(session) // it has the mail: a bad farewell must not send it again
		return nil
	}
	if err == nil {
		err = errors.New("it did not say that it took it")
	}
	err = fmt.Errorf("handing mail to %s: %w", m.server.Server, plainly(err, fleet.Span(mailTime)))
	if refused := new(mail.SendError); errors.As(err, &refused) && final(refused) {
		return refusal{err}
	}
	return err
}

// final reports whether the server will never take the mail. Of the permanent replies of RFC 5321, 4.2.3, these are
// about the address and the message; others are about the login or the session, which somebody may mend.
func final(err *mail.SendError) bool {
	return err.ErrorCode() >= 550 && err.ErrorCode() <= 554 &&
		(err.Reason == mail.ErrSMTPRcptTo || err.Reason == mail.ErrSMTPData || err.Reason == mail.ErrSMTPDataClose)
}

func (m *mailer) client(l *line) (*mail.Client, error) {
	options := []mail.Option{
		mail.WithPort(m.port), mail.WithTimeout(mailTime), mail.WithTLSConfig(m.tls), mail.WithDialContextFunc(l.dial), mail.WithoutNoop(),
	}
	switch m.server.TLS {
	case fleet.NoTLS:
		options = append(options, mail.WithTLSPolicy(mail.NoTLS))
	case fleet.ImplicitTLS:
		// The line is private before the library sees it. With WithSSL it would not notice, and log in nowhere.
		options = append(options, mail.WithTLSPolicy(mail.TLSOpportunistic))
	default:
		options = append(options, mail.WithTLSPolicy(mail.TLSMandatory))
	}
	if m.server.User != "" {
		password, err := readSecret(m.server.PasswordFile)
		if err != nil {
			return nil, err
		}
		options = append(options, mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover), mail.WithUsername(m.server.User), mail.WithPassword(password))
	}
	client, err := mail.NewClient(m.host, options...)
	if err != nil {
		return nil, fmt.Errorf("handing mail to %s: %w", m.server.Server, err)
	}
	return client, nil
}

// letter writes a message as mail. The same message gives the same mail, Message-ID and date included.
func (m *mailer) letter(msg *Message) (*mail.Msg, error) {
	letter := mail.NewMsg()
	if err := letter.From(m.server.From); err != nil {
		return nil, fmt.Errorf("writing mail from %s: %w", m.server.From, err)
	}
	if err := letter.To(m.to); err != nil {
		return nil, fmt.Errorf("writing mail to %s: %w", m.to, err)
	}
	domain := m.server.From[strings.LastIndexByte(m.server.From, '@')+1:]
	letter.SetMessageIDWithValue(msg.ID + "@" + domain)
	letter.SetDateWithValue(msg.Made)
	letter.Subject(m.plan.subject(msg))
	letter.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: no holiday answers
	if urgentNow(msg) {
		letter.SetImportance(mail.ImportanceHigh)
	}
	letter.SetBodyString(mail.TypeTextPlain, m.plan.text(msg))
	return letter, nil
}

// urgentNow reports whether something of high priority stands.
func urgentNow(msg *Message) bool {
	for i := range msg.Items {
		if msg.Items[i].News == Raised && msg.Items[i].Alarm.Priority == fleet.High {
			return true
		}
	}
	return false
}

// A line is the connection of one mail, so that it can be closed from outside of the library.
type line struct {
	mailer *mailer
	mu     sync.Mutex
	conn   net.Conn
	closed bool
}

func (l *line) dial(ctx context.Context, network, address string) (net.Conn, error) {
	conn, err := l.mailer.dial(ctx, network, address)
	if err != nil {
		return nil, err
	}
	l.mu.Lock()
	l.conn = conn
	closed := l.closed
	l.mu.Unlock()
	if closed {
		conn.Close()
		return nil, net.ErrClosed
	}
	if l.mailer.server.TLS != fleet.ImplicitTLS {
		return conn, nil
	}
	secure := tls.Client(conn, l.mailer.tls)
	if err := secure.HandshakeContext(ctx); err != nil {
		return nil, err
	}
	return secure, nil
}

func (l *line) close() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closed = true
	if l.conn != nil {
		l.conn.Close()
	}
}
