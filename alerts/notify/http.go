package notify

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"

	"ringwarden/fleet"
)

// Dial makes a connection, as [net.Dialer.DialContext] does.
type Dial func(ctx context.Context, network, address string) (net.Conn, error)

// Limits of one HTTP exchange.
const (
	httpTime       = 20 * time.Second // all of it
	dialTime       = 10 * time.Second
	responseHeader = 64 << 10 // bytes
	responseBody   = 64 << 10 // bytes that are read, and thrown away
	redirectsLimit = 3
)

// A poster posts to one address. It follows no redirect to another host, port or scheme, nor one that would turn the
// post into a get: what answers there is not what the fleet file names.
type poster struct {
	url    *url.URL
	client *http.Client
}

func newPoster(address, ca string, dial Dial) (*poster, error) {
	u, err := url.Parse(address)
	if err != nil {
		return nil, errors.New("its url cannot be read") // the error would repeat it
	}
	config, err := tlsConfig(ca, u.Hostname())
	if err != nil {
		return nil, err
	}
	if dial == nil {
		dial = (&net.Dialer{Timeout: dialTime}).DialContext
	}
	return &poster{u, &http.Client{
		Timeout: httpTime,
		Transport: &http.Transport{
			Proxy: http.ProxyFromEnvironment, DialContext: dial, TLSClientConfig: config, TLSHandshakeTimeout: dialTime,
			MaxResponseHeaderBytes: responseHeader,
			DisableKeepAlives:      true, // messages are rare: nothing is left open between them
		},
		CheckRedirect: func(next *http.Request, before []*http.Request) error {
			if len(before) > redirectsLimit || next.Method != http.MethodPost || next.URL.Scheme != u.Scheme || next.URL.Host != u.Host {
				return http.ErrUseLastResponse
			}
			return nil
		},
	}}, nil
}

// tlsConfig trusts the certificate in the file ca, or the system's authorities if there is none.
func tlsConfig(ca, server string) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: server}
	if ca == "" {
		return c, nil
	}
	pem, err := os.ReadFile(ca)
	if err != nil {
		return nil, fmt.Errorf("reading the certificate: %w", err)
	}
	c.RootCAs = x509.NewCertPool()
	if !c.RootCAs.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("reading the certificate: there is none in %s", ca)
	}
	return c, nil
}

// post sends a body and returns the status. An error never repeats more of the address than its host.
func (p *poster) post(ctx context.Context, path string, header http.Header, body []byte) (int, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, p.url.String()+path, bytes.NewReader(body))
	if err != nil {
		return 0, errors.New("its url cannot be read")
	}
	req.Header = header
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "ringwarden")
	answer, err := p.client.Do(req)
	if err != nil {
		if u, ok := errors.AsType[*url.Error](err); ok {
			err = u.Err
		}
		return 0, fmt.Errorf("posting to %s: %w", p.url.Host, plainly(err, fleet.Span(p.client.Timeout)))
	}
	defer answer.Body.Close()
	// The status has come: what becomes of the rest does not matter.
	_, _ = io.CopyN(io.Discard, answer.Body, responseBody)
	if answer.StatusCode >= 300 && answer.StatusCode < 400 {
		return answer.StatusCode, fmt.Errorf("posting to %s: it answered %d and pointed elsewhere, where nothing is sent; if that is right, put the new address into the fleet file",
			p.url.Host, answer.StatusCode)
	}
	if answer.StatusCode < 200 || answer.StatusCode > 299 {
		err := fmt.Errorf("posting to %s: it answered %d %s", p.url.Host, answer.StatusCode, http.StatusText(answer.StatusCode))
		if wait := retryAfter(answer.Header.Get("Retry-After"), time.Now()); wait > 0 {
			err = later{err, wait}
		}
		return answer.StatusCode, err
	}
	return answer.StatusCode, nil
}

// A later is a refusal for now: the other side says how long to wait.
type later struct {
	error
	wait time.Duration
}

func (l later) Unwrap() error { return l.error }

// retryAfter reads the field Retry-After of RFC 9110, 10.2.3: seconds, or an instant. It returns 0 for what is none, and
// retryLimit at most: whoever asks for more is asked again all the same, so that a mistake there silences nobody here.
func retryAfter(field string, now time.Time) time.Duration {
	wait := time.Duration(0)
	if n, err := strconv.ParseUint(strings.TrimSpace(field), 10, 64); err == nil {
		wait = time.Duration(min(n, uint64(retryLimit/time.Second))) * time.Second
	} else if at, err := http.ParseTime(field); err == nil {
		wait = at.Sub(now)
	}
	return min(max(wait, 0), retryLimit)
}
