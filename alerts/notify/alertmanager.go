package notify

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"sync/atomic"
	"time"

	"ringwarden/fleet"
)

// An alertmanager posts alerts to the Alertmanager HTTP API, version 2: POST /api/v2/alerts takes a list of alerts,
// each told from others by its labels. An alert is over at its endsAt; one that stands is posted again and again with
// an endsAt a little ahead, so that it ends by itself when this program does.
type alertmanager struct {
	plan   *plan
	server *fleet.Alertmanager
	poster *poster
	failed atomic.Pointer[error] // of the last reminder
}

const alertsPath = "/api/v2/alerts"

// alertsLimit bounds the alerts in one post.
const alertsLimit = 100

// alertHolds is how many times the period of its reminders an alert stands without one.
const alertHolds = 4

// An alert is one of the API's postableAlerts.
type alert struct {
	Labels      map[string]string `json:"labels"`
	Annotations map[string]string `json:"annotations"`
	StartsAt    time.Time         `json:"startsAt"`
	EndsAt      time.Time         `json:"endsAt"`
}

func (a *alertmanager) check() error {
	if a.server.User == "" {
		return nil
	}
	return checkSecret(a.server.PasswordFile)
}

func (a *alertmanager) send(ctx context.Context, m *Message) error {
	var alerts []alert
	for i := range m.Items {
		it := &m.Items[i]
		ends := it.At.UTC()
		if it.News == Raised || it.News == Test {
			ends = time.Now().UTC().Add(alertHolds * a.server.Resend)
		}
		alerts = append(alerts, a.plan.alert(it, ends))
	}
	status, err := a.post(ctx, alerts)
	if status == http.StatusBadRequest {
		return refusal{err}
	}
	return err
}

func (a *alertmanager) every() time.Duration { return a.server.Resend }

func (a *alertmanager) remind(ctx context.Context, standing []fleet.Alarm) error {
	ends := time.Now().UTC().Add(alertHolds * a.server.Resend)
	for len(standing) > 0 {
		n := min(len(standing), alertsLimit)
		alerts := make([]alert, n)
		for i := range alerts {
			alerts[i] = a.plan.alert(&Item{News: Raised, At: standing[i].Raised, Alarm: standing[i]}, ends)
		}
		if _, err := a.post(ctx, alerts); err != nil {
			return err
		}
		standing = standing[n:]
	}
	return nil
}

func (a *alertmanager) trouble(err error) error {
	before := a.failed.Swap(&err)
	if before == nil {
		return nil
	}
	return *before
}

func (a *alertmanager) post(ctx context.Context, alerts []alert) (int, error) {
	header := http.Header{}
	if a.server.User != "" {
		password, err := readSecret(a.server.PasswordFile)
		if err != nil {
			return 0, err
		}
		header.Set("Authorization", "Basic "+base64.StdEncoding.EncodeToString([]byte(a.server.User+":"+password)))
	}
	body, err := json.Marshal(alerts)
	if err != nil {
		return 0, refusal{fmt.Errorf("writing alerts: %w", err)}
	}
	status, err := a.poster.post(ctx, alertsPath, header, body)
	if status == http.StatusNotFound {
		err = errors.Join(err, errors.New("does its url lead to an Alertmanager, and to the path that it runs under?"))
	}
	return status, err
}

// alert returns what the API takes. Its labels are those of the metrics, so that both can be joined.
func (p *plan) alert(i *Item, ends time.Time) alert {
	a := &i.Alarm
	labels := map[string]string{"alertname": string(a.Kind), "priority": a.Priority.String()}
	parts := strings.SplitN(string(a.Subject), "/", 3)
	if a.Subject != fleet.OwnStore {
		labels["site"] = parts[0]
	}
	if len(parts) > 1 {
		labels["ring"] = parts[1]
	}
	if len(parts) > 2 {
		name := "controller"
		if strings.Contains(parts[2], ">") {
			name = "link"
		}
		labels[name] = parts[2]
	}
	notes := map[string]string{"summary": p.headline(i), "description": a.Text, "first": a.Advice, "caution": a.Caution}
	for _, m := range []map[string]string{labels, notes} {
		for k, v := range m {
			if v == "" {
				delete(m, k)
			}
		}
	}
	starts := a.Raised
	if starts.IsZero() {
		starts = a.Since
	}
	return alert{labels, notes, starts.UTC(), ends}
}
