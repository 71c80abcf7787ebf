package notify

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"io"
	"log"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"ringwarden/fleet"
)

// certificate makes one for 127.0.0.1 that signs itself, and the file by which it is trusted.
func certificate(t *testing.T) (tls.Certificate, string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, path
}

// note is a message about one alarm.
func note(plan *plan, to Channel) *Message {
	c := change(time.Date(2026, 7, 3, 9, 12, 0, 0, time.UTC), fleet.AlarmKey{Kind: "link-down", Subject: "mill/north/alder>birch"}, fleet.High, fleet.AlarmNormal, fleet.Unacknowledged)
	return &Message{ID: newID(&c, to), To: to, Made: c.At, Items: []Item{newItem(Raised, &c)}}
}

// hookTo returns the sink of a webhook at an address.
func hookTo(t *testing.T, address, ca string) (sink, *plan) {
	t.Helper()
	f := mill()
	f.Notify.Webhooks = []fleet.Webhook{{Name: "desk", URL: address, SecretFile: secretFile(t, testSecret), CA: ca}}
	f.Notify.Routes = []fleet.Route{{To: []string{"desk"}}}
	plan := newPlan(f)
	s, err := plan.sink(Channel{Via: ViaWebhook, Sink: "desk"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return s, plan
}

// Over real TLS the specification's own library takes what is posted; the same message has the same id each time.
func TestWebhookOverTLS(t *testing.T) {
	cert, ca := certificate(t)
	peer, err := standardwebhooks.NewWebhook(testSecret)
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	server := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		if err := peer.Verify(body, r.Header); err != nil || r.Header.Get("Content-Type") != "application/json" {
			t.Errorf("the peer says %v of %v", err, r.Header)
		}
		ids = append(ids, r.Header.Get("webhook-id"))
	}))
	server.Config.ErrorLog = log.New(io.Discard, "", 0)
	server.TLS = &tls.Config{Certificates: []tls.Certificate{cert}}
	server.StartTLS()
	defer server.Close()
	s, plan := hookTo(t, server.URL, ca)
	for range 2 {
		if err := s.send(t.Context(), note(plan, Channel{Via: ViaWebhook, Sink: "desk"})); err != nil {
			t.Fatal(err)
		}
	}
	if len(ids) != 2 || ids[0] != ids[1] || ids[0] == "" {
		t.Errorf("the ids are %q", ids)
	}
	if s, plan := hookTo(t, server.URL, ""); s.send(t.Context(), note(plan, Channel{})) == nil {
		t.Error("a server whose certificate nobody signed was trusted")
	}
}

// A server that sends elsewhere gets nothing sent elsewhere: neither the alarm nor the signature leaves for a host that
// the fleet file does not name, and a page that answers 200 there is not taken for a receipt.
func TestRedirectsToOthersAreNotFollowed(t *testing.T) {
	var stranger atomic.Int32
	other := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { stranger.Add(1) }))
	defer other.Close()
	var here atomic.Int32
	mux := http.NewServeMux()
	for _, status := range []int{301, 302, 303, 307, 308} {
		mux.Handle("/away/"+strconv.Itoa(status), http.RedirectHandler(other.URL, status))
		mux.Handle("/near/"+strconv.Itoa(status), http.RedirectHandler("/here", status))
	}
	mux.Handle("/round", http.RedirectHandler("/round", http.StatusTemporaryRedirect))
	mux.HandleFunc("/here", func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodPost || r.ContentLength == 0 {
			t.Errorf("a redirect made it %s with %d bytes", r.Method, r.ContentLength)
		}
		here.Add(1)
	})
	server := httptest.NewServer(mux)
	defer server.Close()
	for _, c := range []struct {
		path string
		ok   bool
	}{
		{"/away/301", false},
		{"/away/302", false},
		{"/away/303", false},
		{"/away/307", false},
		{"/away/308", false},
		{"/near/301", false},
		{"/near/302", false},
		{"/near/303", false},
		{"/near/307", true},
		{"/near/308", true},
		{"/round", false},
	} {
		s, plan := hookTo(t, server.URL+c.path, "")
		err := s.send(t.Context(), note(plan, Channel{Via: ViaWebhook, Sink: "desk"}))
		if (err == nil) != c.ok {
			t.Errorf("%s: %v", c.path, err)
		}
		if err != nil && (strings.Contains(err.Error(), other.URL) || strings.Contains(err.Error(), "/away")) {
			t.Errorf("the address is said: %v", err)
		}
	}
	if stranger.Load() != 0 || here.Load() != 2 {
		t.Errorf("%d posts went to a stranger, %d to the right place; want 0 and 2", stranger.Load(), here.Load())
	}
}

// A server that hangs, answers without end, answers rubbish or is not there costs a bounded time and is an error that
// says the host alone.
func TestServersThatMisbehave(t *testing.T) {
	hang := make(chan struct{})
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch r.URL.Path {
		case "/hang":
			select {
			case <-hang:
			case <-r.Context().Done():
			}
		case "/endless":
			block := make([]byte, 1<<16)
			for {
				if _, err := w.Write(block); err != nil {
					return
				}
			}
		case "/headers":
			for i := range 200 {
				w.Header().Set("X-"+strings.Repeat("a", i+1), strings.Repeat("b", 1000))
			}
		case "/cut":
			c, _, err := http.NewResponseController(w).Hijack()
			if err == nil {
				_, _ = c.Write([]byte("HTTP/1.1 2"))
				c.Close()
			}
		}
	}))
	defer server.Close()
	for path, want := range map[string]string{
		"/hang": "it did not answer within", "/endless": "", "/headers": "exceeded", "/cut": "what it answered is no HTTP",
	} {
		s, plan := hookTo(t, server.URL+path+"?token=k0rnblume", "")
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
		err := s.send(ctx, note(plan, Channel{Via: ViaWebhook, Sink: "desk"}))
		cancel()
		if (err != nil) != (want != "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", path, err, want)
		}
		if err != nil && (strings.Contains(err.Error(), "k0rnblume") || errors.As(err, new(refusal))) {
			t.Errorf("%s: %v says too much, or would not be tried again", path, err)
		}
	}
	close(hang)
	nobody := server.URL
	server.Close()
	s, plan := hookTo(t, nobody, "")
	if err := s.send(t.Context(), note(plan, Channel{Via: ViaWebhook, Sink: "desk"})); err == nil {
		t.Error("nobody is there, and it was sent")
	}
}
