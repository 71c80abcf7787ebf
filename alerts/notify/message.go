package notify

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"ringwarden/fleet"
)

// Via is a sort of way to somebody.
type Via string

// The ways.
const (
	ViaMail         Via = "mail"
	ViaWebhook      Via = "webhook"
	ViaAlertmanager Via = "alertmanager"
)

// A Channel is one way to one recipient. Messages of one channel go one after the other.
type Channel struct {
	Via    Via    `json:"via"`
	Sink   string `json:"sink,omitempty"`   // name of the webhook or Alertmanager
	Person string `json:"person,omitempty"` // name of the person, if it is one
}

// Recipient returns the name that routes use.
func (c Channel) Recipient() string { return cmp.Or(c.Person, c.Sink) }

// sink returns the name that metrics use: no person's.
func (c Channel) sink() string { return cmp.Or(c.Sink, string(c.Via)) }

// String says who is told, and how.
func (c Channel) String() string {
	switch {
	case c.Sink == "":
		return c.Person + " by " + string(c.Via)
	case c.Person == "":
		return string(c.Via) + " " + c.Sink
	}
	return c.Person + " by " + string(c.Via) + " " + c.Sink
}

// News is what a change means to whoever is told.
type News string

// The news that are told.
const (
	Raised    News = "raised"    // the condition holds, and nobody has acknowledged it
	Returned  News = "returned"  // the condition is gone, or no longer watched
	Explained News = "explained" // another alarm explains it; it is not told of on its own any more
	Reminder  News = "reminder"  // it stands, is urgent, and nobody has acknowledged it for long
	Test      News = "test"
)

// newsOf returns what there is to tell of a change; ok is false if nothing.
func newsOf(c *fleet.Change) (news News, ok bool) {
	switch to := c.Alarm.State; {
	case to == fleet.Unacknowledged && c.From != fleet.Unacknowledged:
		return Raised, true
	case !c.From.Active():
		return "", false // it was told of already, or never
	case to == fleet.AlarmNormal, to == fleet.ReturnedUnacknowledged:
		return Returned, true
	case to == fleet.Suppressed:
		return Explained, true
	}
	return "", false
}

// An Item is one alarm in a message.
type Item struct {
	News  News        `json:"news"`
	At    time.Time   `json:"at"`            // of the change
	Why   string      `json:"why,omitempty"` // of the change
	Alarm fleet.Alarm `json:"alarm"`
	Times int         `json:"times,omitempty"` // how often it was raised while the digest gathered
	// Was is what held a raised alarm back until then: shelved, out of service, suppressed; else normal.
	Was fleet.AlarmState `json:"was,omitempty"`
}

// Why a message is a digest.
const (
	digestFlood = "flood" // more alarms than a person can take one by one
	digestQuiet = "quiet" // they came in quiet hours
	digestFull  = "full"  // too many messages wait already
	digestAgain = "again" // they are reminders
)

// A Message is what goes to one recipient by one way. It is stored as JSON.
type Message struct {
	ID     string    `json:"id"`    // the key by which the other side can tell a repetition
	Order  uint64    `json:"order"` // later ones are higher
	To     Channel   `json:"to"`
	Made   time.Time `json:"made"`
	Due    time.Time `json:"due,omitzero"`     // not before; zero: at once
	Digest string    `json:"digest,omitempty"` // why it gathers several alarms; empty: it is about one
	Items  []Item    `json:"items"`
	More   int       `json:"more,omitempty"`   // alarms that it has no room for
	Sealed bool      `json:"sealed,omitempty"` // a try has begun: nothing is added any more
	Tries  int       `json:"tries,omitempty"`  // that failed
	Error  string    `json:"error,omitempty"`  // of the last try
}

// open reports whether alarms may join.
func (m *Message) open() bool { return m.Digest != "" && !m.Sealed }

// copy returns a message that can be changed while the old one is read.
func (m *Message) copy() *Message {
	c := *m
	c.Items = slices.Clone(m.Items)
	return &c
}

// find returns the place of an alarm, or -1.
func (m *Message) find(key fleet.AlarmKey) int {
	return slices.IndexFunc(m.Items, func(i Item) bool { return i.Alarm.AlarmKey == key })
}

// digestLimit bounds the alarms in a digest: more than that nobody reads. When it is full the least urgent one, the
// oldest of its priority, makes room and is counted in More.
const digestLimit = 100

// join adds an alarm to a digest, or brings it up to date there.
func (m *Message) join(i Item) {
	if at := m.find(i.Alarm.AlarmKey); at >= 0 {
		i.Times = m.Items[at].Times
		if i.News == Raised {
			i.Times++
		}
		m.Items[at] = i
		return
	}
	if i.News == Raised {
		i.Times = 1
	}
	m.Items = append(m.Items, i)
	if len(m.Items) > digestLimit {
		least := 0
		for at := range m.Items {
			if m.Items[at].Alarm.Priority < m.Items[least].Alarm.Priority {
				least = at
			}
		}
		m.Items = slices.Delete(m.Items, least, least+1)
		m.More++
	}
}

// newID returns the key of the message about a change to a channel. The same change gives the same key again.
func newID(c *fleet.Change, to Channel) string {
	h := sha256.New()
	for _, part := range []string{
		string(to.Via), to.Sink, to.Person, string(c.Alarm.Kind), string(c.Alarm.Subject),
		c.At.UTC().Format(time.RFC3339Nano), c.From.String(), c.Alarm.State.String(),
	} {
		fmt.Fprintf(h, "%d:%s", len(part), part)
	}
	return "rw_" + hex.EncodeToString(h.Sum(nil)[:16])
}

// textLimit bounds each text of an alarm in a message, in bytes. The engine's own stay far below.
const textLimit = 2000

// newItem returns what a message keeps of a change. JSON has no infinity, so figures that are not finite are left out.
func newItem(news News, c *fleet.Change) Item {
	a := c.Alarm
	for _, s := range []*string{&a.Text, &a.Advice, &a.Caution} {
		*s = shorten(*s, textLimit)
	}
	a.Figures = nil
	for _, f := range c.Alarm.Figures[:min(len(c.Alarm.Figures), 32)] {
		if !math.IsNaN(f.Value) && !math.IsInf(f.Value, 0) {
			a.Figures = append(a.Figures, f)
		}
	}
	i := Item{News: news, At: c.At, Why: shorten(c.Why, textLimit), Alarm: a}
	if _, ok := heldBack[c.From]; ok && news == Raised {
		i.Was = c.From
	}
	return i
}

// shorten cuts a text at a whole letter.
func shorten(s string, limit int) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	if len(s) <= limit {
		return s
	}
	for limit > 0 && !utf8.RuneStart(s[limit]) {
		limit--
	}
	return s[:limit] + "…"
}

// The entries of the outbox begin with one of these.
const (
	messagePrefix = "message/"
	recordPrefix  = "given-up/"
)

// messageLimit bounds a message in the store, in bytes, which takes 1 MiB.
const messageLimit = 1 << 19

// encode returns a message as it is stored. A digest of texts that are much longer than the engine's loses alarms, and
// counts them.
func (m *Message) encode() ([]byte, error) {
	for {
		b, err := json.Marshal(m)
		if err != nil {
			return nil, fmt.Errorf("writing message %s: %w", m.ID, err)
		}
		if len(b) <= messageLimit || len(m.Items) == 1 {
			return b, nil
		}
		lost := max(1, len(m.Items)/4)
		m.Items, m.More = m.Items[:len(m.Items)-lost], m.More+lost
	}
}

func decodeMessage(body []byte) (*Message, error) {
	var m Message
	if err := json.Unmarshal(body, &m); err != nil {
		return nil, err
	}
	if m.ID == "" || len(m.Items) == 0 {
		return nil, fmt.Errorf("it has no key or tells of nothing")
	}
	return &m, nil
}
