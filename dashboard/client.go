package dashboard

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"time"

	"ringwarden/fleet"
)

// A Client asks a running daemon, whose database nobody else can open meanwhile.
type Client struct {
	base string
	http http.Client
}

// clientTime bounds each call, and maxAnswer what is read of an answer, in bytes.
const (
	clientTime = 20 * time.Second
	aliveTime  = 2 * time.Second
	maxAnswer  = 64 << 20
)

// NewClient returns a client of the daemon that listens on an address of a fleet file. It opens no connection yet.
func NewClient(listen string) *Client {
	host, port, err := net.SplitHostPort(listen)
	if err != nil {
		host, port = listen, ""
	}
	if addr, err := netip.ParseAddr(host); host == "" || err == nil && addr.IsUnspecified() {
		host = "localhost" // every address of this machine: take the one that is always there
	}
	// No proxy: it would not know this machine's loopback, and nobody's business is on it.
	return &Client{
		base: "http://" + net.JoinHostPort(host, port),
		http: http.Client{Timeout: clientTime, Transport: &http.Transport{DisableKeepAlives: true}},
	}
}

// Alive reports whether a daemon answers. It waits two seconds at most.
func (c *Client) Alive(ctx context.Context) bool {
	ctx, cancel := context.WithTimeout(ctx, aliveTime)
	defer cancel()
	_, err := c.report(ctx, nil)
	return err == nil
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

func (c *Client) report(ctx context.Context, query url.Values) (*report, error) {
	address := c.base + "/api/v1/alarms?" + query.Encode()
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return nil, fmt.Errorf("asking the daemon: %w", err)
	}
	answer, err := c.http.Do(r)
	if err != nil {
		return nil, fmt.Errorf("asking the daemon: %w", err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(io.LimitReader(answer.Body, maxAnswer+1))
	if err != nil {
		return nil, fmt.Errorf("reading the daemon's answer: %w", err)
	}
	if len(body) > maxAnswer {
		return nil, errors.New("reading the daemon's answer: it is longer than 64 MiB; ask for a shorter time")
	}
	return readReport(answer, body, c.base)
}

func readReport(answer *http.Response, body []byte, base string) (*report, error) {
	kind, _, _ := mime.ParseMediaType(answer.Header.Get("Content-Type"))
	switch {
	case kind == problemType:
		var p details
		if json.Unmarshal(body, &p) == nil && p.Detail != "" {
			return nil, fmt.Errorf("the daemon at %s refused: %s", base, p.Detail)
		}
	case kind == "application/json" && answer.StatusCode == http.StatusOK:
		var v report
		if err := json.Unmarshal(body, &v); err == nil && v.Standing != nil {
			return &v, nil
		}
	}
	return nil, fmt.Errorf("what answers at %s (status %d) is not ringwarden; another program has this address", base, answer.StatusCode)
}
