package notify

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"ringwarden/fleet"
)

// A webhook posts signed JSON, as the Standard Webhooks specification 1.0 says.
type webhook struct {
	plan   *plan
	hook   *fleet.Webhook
	poster *poster
}

func (w *webhook) key() ([]byte, error) {
	text, err := readSecret(w.hook.SecretFile)
	if err != nil {
		return nil, err
	}
	key, err := parseSecret(text)
	if err != nil {
		return nil, fmt.Errorf("reading the secret in %s: %w", w.hook.SecretFile, err)
	}
	return key, nil
}

func (w *webhook) check() error {
	if _, err := w.key(); err != nil {
		return err
	}
	return checkSecret(w.hook.SecretFile)
}

func (w *webhook) send(ctx context.Context, m *Message) error {
	key, err := w.key()
	if err != nil {
		return err
	}
	body, err := json.Marshal(w.plan.payload(m))
	if err != nil {
		return refusal{fmt.Errorf("writing the message: %w", err)}
	}
	now := time.Now() // of this try, as the specification wants it; the id stays
	status, err := w.poster.post(ctx, "", http.Header{
		"Webhook-Id":        {m.ID},
		"Webhook-Timestamp": {strconv.FormatInt(now.Unix(), 10)},
		"Webhook-Signature": {sign(key, m.ID, now, body)},
	}, body)
	if status == http.StatusGone { // the specification: whoever answers so wants no more
		return refusal{err}
	}
	return err
}

// A payload is the body of a webhook: type, timestamp and data, as the Standard Webhooks specification recommends.
type payload struct {
	Type      string      `json:"type"` // "alarm." and the news, or "alarms.digest"
	Timestamp time.Time   `json:"timestamp"`
	Data      payloadData `json:"data"`
}

type payloadData struct {
	Recipient string         `json:"recipient"`
	Subject   string         `json:"subject"` // one line
	Text      string         `json:"text"`    // for a person
	Digest    string         `json:"digest,omitempty"`
	Alarms    []payloadAlarm `json:"alarms"`
	More      int            `json:"more,omitempty"` // alarms that are not in the list
}

type payloadAlarm struct {
	News     News            `json:"news"`
	At       time.Time       `json:"at"`
	Kind     fleet.Kind      `json:"kind"`
	Subject  fleet.Subject   `json:"subject"`
	Site     string          `json:"site"` // its name
	State    string          `json:"state"`
	Priority string          `json:"priority"`
	Since    time.Time       `json:"since"`
	Raised   time.Time       `json:"raised,omitzero"`
	Times    int             `json:"times,omitempty"`
	Text     string          `json:"text"`
	Advice   string          `json:"advice,omitempty"`
	Caution  string          `json:"caution,omitempty"`
	Why      string          `json:"why,omitempty"`
	Figures  []payloadFigure `json:"figures,omitempty"`
}

type payloadFigure struct {
	Name  string     `json:"name"`
	Value float64    `json:"value"` // base unit
	Unit  fleet.Unit `json:"unit,omitempty"`
}

func (p *plan) payload(m *Message) payload {
	v := payload{Type: "alarm." + string(m.Items[0].News), Timestamp: m.Made.UTC(), Data: payloadData{
		Recipient: m.To.Recipient(), Subject: p.subject(m), Text: p.text(m), Digest: m.Digest, More: m.More,
	}}
	if len(m.Items)+m.More > 1 {
		v.Type = "alarms.digest"
	}
	for i := range m.Items {
		v.Data.Alarms = append(v.Data.Alarms, p.payloadAlarm(&m.Items[i]))
	}
	return v
}

func (p *plan) payloadAlarm(i *Item) payloadAlarm {
	a := &i.Alarm
	out := payloadAlarm{
		News: i.News, At: i.At.UTC(), Kind: a.Kind, Subject: a.Subject, State: a.State.String(), Priority: a.Priority.String(),
		Since: a.Since.UTC(), Text: a.Text, Advice: a.Advice, Caution: a.Caution, Why: i.Why,
	}
	if !a.Raised.IsZero() {
		out.Raised = a.Raised.UTC()
	}
	if i.Times > 1 {
		out.Times = i.Times
	}
	if s := p.sites[fleet.RingID(a.Subject).Site()]; s != nil {
		out.Site = s.Name
	}
	for _, f := range a.Figures {
		out.Figures = append(out.Figures, payloadFigure(f))
	}
	return out
}
