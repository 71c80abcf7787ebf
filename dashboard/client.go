package dashboard

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"strings"
	"time"

	"ringwarden/fleet"
)

// A Client asks a running daemon, whose database nobody else can open meanwhile.
type Client struct {
	base string
	name string // what an error calls the daemon
	o    ClientOptions
	http http.Client
}

// ClientOptions say how a daemon is asked, and as whom.
type ClientOptions struct {
	User, Password string         // of the daemon's web configuration; no user: without logging in
	Roots          *x509.CertPool // who may have signed the daemon's certificate; nil: the system's authorities
	// Transport carries the requests; nil: TCP. With one, Roots are its own matter.
	Transport http.RoundTripper
}

// What a person can do something about when a daemon does not answer as it should.
var (
	ErrLogin     = errors.New("it wants a name and a password of its web configuration")
	ErrForbidden = errors.New("this user may look and not act")
)

// clientTime bounds each call, and maxAnswer what is read of an answer, in bytes.
const (
	clientTime = 20 * time.Second
	maxAnswer  = 64 << 20
)

// NewClient returns a client of the daemon at an address such as https://mill.example:27464. It opens no connection yet.
func NewClient(address string, o ClientOptions) (*Client, error) {
	u, err := url.Parse(address)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.User != nil || u.RawQuery != "" || u.Fragment != "" {
		return nil, fmt.Errorf("%q is no address of a daemon; write it as in https://mill.example:27464, without user and password", address)
	}
	base := strings.TrimSuffix(u.String(), "/")
	name := "the daemon"
	if o.Transport == nil {
		name += " at " + base
		t := &http.Transport{DisableKeepAlives: true, TLSClientConfig: &tls.Config{RootCAs: o.Roots, MinVersion: tls.VersionTLS12}}
		if !loopbackName(u.Host) { // a proxy would not know this machine's loopback
			t.Proxy = http.ProxyFromEnvironment
		}
		o.Transport = t
	}
	return &Client{base: base, name: name, o: o, http: http.Client{
		Timeout: clientTime, Transport: o.Transport,
		// A password goes where its owner has said, and nowhere else.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}, nil
}

// Standing returns every alarm that is not normal, the most urgent first.
func (c *Client) Standing(ctx context.Context) ([]fleet.Alarm, error) {
	answer, err := c.report(ctx, nil)
	if err != nil {
		return nil, err
	}
	alarms := make([]fleet.Alarm, len(answer.Standing))
	for i := range answer.Standing {
		if alarms[i], err = answer.Standing[i].alarm(); err != nil {
			return nil, err
		}
	}
	return alarms, nil
}

// Changes returns the changes in [from, to), oldest first. Where there are too many for one answer, it is an error
// that says so, since a list with a hole would look whole.
func (c *Client) Changes(ctx context.Context, from, to time.Time) ([]fleet.Change, error) {
	answer, err := c.report(ctx, url.Values{"past": {from.UTC().Format(time.RFC3339Nano)}})
	if err != nil {
		return nil, err
	}
	if answer.Omitted > 0 {
		return nil, fmt.Errorf("the daemon has %d changes since %s and gives the newest %d alone; ask for a shorter time",
			answer.Omitted+len(answer.Changes), from.Format(time.RFC3339), len(answer.Changes))
	}
	changes := make([]fleet.Change, 0, len(answer.Changes))
	for i := range answer.Changes {
		change, err := answer.Changes[i].change()
		if err != nil {
			return nil, err
		}
		if change.At.Before(to) {
			changes = append(changes, change)
		}
	}
	return changes, nil
}

// Act does what a person wants, by whoever logs in; Who is not sent. An error tells why the daemon refuses.
func (c *Client) Act(ctx context.Context, a Action) error {
	j := actionJSON{Do: a.Verb, Kind: a.Key.Kind, Subject: a.Key.Subject, Why: a.Why, OneShot: a.OneShot, Kinds: a.Kinds}
	if a.For > 0 {
		j.For = a.For.String()
	}
	body, err := json.Marshal(j)
	if err != nil {
		return err
	}
	answer, err := c.do(ctx, http.MethodPost, "/api/v1/actions", body)
	if err != nil || answer.status == http.StatusNoContent {
		return err
	}
	return c.refusal(answer)
}

// Zones returns the time zones of the sites.
func (c *Client) Zones(ctx context.Context) (map[fleet.SiteID]*time.Location, error) {
	answer, err := c.do(ctx, http.MethodGet, "/api/v1/sites", nil)
	if err != nil {
		return nil, err
	}
	var v struct{ Sites []siteJSON }
	if answer.status != http.StatusOK || json.Unmarshal(answer.body, &v) != nil {
		return nil, c.refusal(answer)
	}
	of := map[fleet.SiteID]*time.Location{}
	for i := range v.Sites {
		if of[v.Sites[i].ID], err = time.LoadLocation(v.Sites[i].Zone); err != nil {
			return nil, fmt.Errorf("reading the time zone of %s: %w", v.Sites[i].ID, err)
		}
	}
	return of, nil
}

func (c *Client) report(ctx context.Context, query url.Values) (*report, error) {
	answer, err := c.do(ctx, http.MethodGet, "/api/v1/alarms?"+query.Encode(), nil)
	if err != nil {
		return nil, err
	}
	if answer.kind == "application/json" && answer.status == http.StatusOK {
		var v report
		if err := json.Unmarshal(answer.body, &v); err == nil && v.Standing != nil {
			return &v, nil
		}
	}
	return nil, c.refusal(answer)
}

// A reply is an answer that was read to its end.
type reply struct {
	status int
	kind   string // of the body, without parameters
	body   []byte
}

// do sends a request.
func (c *Client) do(ctx context.Context, method, path string, send []byte) (*reply, error) {
	r, err := http.NewRequestWithContext(ctx, method, c.base+path, bytes.NewReader(send))
	if err != nil {
		return nil, fmt.Errorf("asking the daemon: %w", err)
	}
	if send != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	if c.o.User != "" {
		r.SetBasicAuth(c.o.User, c.o.Password)
	}
	answer, err := c.http.Do(r)
	if err != nil {
		if u, ok := errors.AsType[*url.Error](err); ok {
			err = u.Err
		}
		return nil, fmt.Errorf("asking %s: %w", c.name, err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(io.LimitReader(answer.Body, maxAnswer+1))
	if err != nil {
		return nil, fmt.Errorf("reading the daemon's answer: %w", err)
	}
	if len(body) > maxAnswer {
		return nil, errors.New("reading the daemon's answer: it is longer than 64 MiB; ask for a shorter time")
	}
	kind, _, _ := mime.ParseMediaType(answer.Header.Get("Content-Type"))
	return &reply{answer.StatusCode, kind, body}, nil
}

// refusal says what an answer means that is not what was asked for.
func (c *Client) refusal(answer *reply) error {
	var p details
	told := answer.kind == problemType && json.Unmarshal(answer.body, &p) == nil && p.Detail != ""
	switch {
	case answer.status == http.StatusUnauthorized && c.o.User == "":
		return fmt.Errorf("asking %s: %w", c.name, ErrLogin)
	case answer.status == http.StatusUnauthorized:
		return fmt.Errorf("asking %s as %s: the name or the password is wrong: %w", c.name, c.o.User, ErrLogin)
	case answer.status == http.StatusForbidden && told:
		return fmt.Errorf("%s refused: %s: %w", c.name, p.Detail, ErrForbidden)
	case told:
		return fmt.Errorf("%s refused: %s", c.name, p.Detail)
	}
	return fmt.Errorf("what answers at %s (status %d) is not ringwarden; another program has this address", c.base, answer.status)
}
