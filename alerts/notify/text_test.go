package notify

import (
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
)

var update = flag.Bool("update", false, "write testdata/messages.txt anew")

// What people read, one message after the other; a person reads the diff. Times are those of the site's own clock: in
// July Dublin is an hour ahead of UTC.
func TestMessagesRead(t *testing.T) {
	at := time.Date(2026, 7, 3, 8, 12, 0, 0, time.UTC)
	alarm := func(kind fleet.Kind, at fleet.Subject, p fleet.Priority, since time.Time, text, advice, caution string, figures ...fleet.Figure) fleet.Change {
		return fleet.Change{At: since.Add(time.Minute), Alarm: fleet.Alarm{
			AlarmKey: fleet.AlarmKey{Kind: kind, Subject: at}, Priority: p, State: fleet.Unacknowledged, Since: since, Raised: since.Add(time.Minute),
			Text: text, Advice: advice, Caution: caution, Figures: figures,
		}}
	}
	link := alarm("link-down", "mill/north/alder>birch", fleet.Medium, at,
		"Fernhollow Mill: Birch has heard nothing from Alder for 40 s.", "Look at both ends of the cable from Alder to Birch.", "",
		fleet.Figure{Name: "probability", Value: 0.92, Unit: fleet.Ratio}, fleet.Figure{Name: "quiet", Value: math.Inf(1), Unit: fleet.Second})
	trip := alarm("fault-trip", "weir/low/cedar", fleet.High, at.Add(time.Hour),
		"Otter Weir: Cedar has tripped on a ground fault.", "Go there with a licensed person.", "A faulted array can be live on grounded metal.")
	over := link
	over.At, over.From, over.Alarm.State, over.Why = at.Add(2*time.Hour), fleet.Unacknowledged, fleet.AlarmNormal, "no longer in the fleet file"
	again := link
	again.From = fleet.Shelved
	hidden := link
	hidden.At, hidden.From, hidden.Alarm.State, hidden.Why = at.Add(3*time.Hour), fleet.Acknowledged, fleet.Suppressed, "site-silent on mill"

	to := Channel{Via: ViaMail, Person: "Maren"}
	single := func(c fleet.Change) *Message {
		news, ok := newsOf(&c)
		if !ok {
			t.Fatalf("%+v is no news", c)
		}
		return &Message{ID: "rw_1", To: to, Made: c.At, Items: []Item{newItem(news, &c)}}
	}
	digest := &Message{ID: "rw_2", To: to, Made: at, Digest: digestFlood, More: 3}
	for _, i := range []Item{newItem(Raised, &link), newItem(Returned, &over), newItem(Raised, &link), newItem(Raised, &trip)} {
		digest.join(i)
	}
	calm := &Message{ID: "rw_3", To: to, Made: at, Digest: digestQuiet}
	calm.join(newItem(Returned, &over))
	tripOver := trip
	tripOver.From, tripOver.Alarm.State = fleet.Unacknowledged, fleet.ReturnedUnacknowledged
	calm.join(newItem(Returned, &tripOver))

	plan := newPlan(mill())
	var b strings.Builder
	for _, m := range []*Message{single(link), single(again), single(trip), single(over), single(hidden), digest, calm} {
		fmt.Fprintf(&b, "Subject: %s\n\n%s--\n", plan.subject(m), plan.text(m))
	}
	body, err := json.MarshalIndent(plan.payload(digest), "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	got := b.String() + string(body) + "\n"
	const file = "testdata/messages.txt"
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("messages differ from %s; -update writes it anew\n%s", file, got)
	}
}

// A subject says a whole thought, or at the least whole words; a text that the engine leaves without an end gets one.
func TestHeadlines(t *testing.T) {
	for text, want := range map[string]string{
		"High: Mill: nothing comes": "High: Mill: nothing comes",
		"High: Fernhollow Mill: nothing has come from Ridge turbine to Miller's loft for 3.5 s: its counters of received frames have stood still":  "High: Fernhollow Mill: nothing has come from Ridge turbine to Miller's loft for 3.5 s",
		"Medium: Fernhollow Mill: Miller's loft uses exactly 25.0 °C as battery temperature, which is what a controller without one falls back to": "Medium: Fernhollow Mill: Miller's loft uses exactly 25.0 °C as battery temperature",
		"Low: " + strings.Repeat("wordy ", 40):   "Low: " + strings.Repeat("wordy ", 18) + "wordy…",
		"Low: " + strings.Repeat("unbroken", 40): "Low: " + strings.Repeat("unbroken", 14) + "unb…",
	} {
		if got := headlineOf(text); got != want {
			t.Errorf("%q\nbecomes %q\nwant    %q", text, got, want)
		}
	}
	for text, want := range map[string]string{"it stands still": "it stands still.", "It does.": "It does.", "": "", "who? ": "who?"} {
		if got := stop(text); got != want {
			t.Errorf("%q ends as %q", text, got)
		}
	}
}

// Texts of any length and content leave a message that can be stored, and a subject that is one line.
func TestMessagesStaySmall(t *testing.T) {
	m := &Message{ID: "rw_1", Digest: digestFlood}
	for n := range 300 {
		c := change(time.Now(), fleet.AlarmKey{Kind: "link-down", Subject: fleet.Subject(fmt.Sprint(n))}, fleet.High, fleet.AlarmNormal, fleet.Unacknowledged)
		c.Alarm.Text = strings.Repeat("\x00\r\né\xff", 5000)
		c.Alarm.Advice, c.Alarm.Caution, c.Why = c.Alarm.Text, c.Alarm.Text, c.Alarm.Text
		c.Alarm.Figures = make([]fleet.Figure, 1000)
		m.join(newItem(Raised, &c))
	}
	b, err := m.encode()
	if err != nil || len(b) > messageLimit || len(m.Items)+m.More != 300 || len(m.Items) < 20 {
		t.Errorf("%d bytes, %d alarms and %d more, %v", len(b), len(m.Items), m.More, err)
	}
	if s := newPlan(mill()).subject(m); len(s) > headlineLimit+4 || strings.ContainsAny(s, "\r\n\x00") {
		t.Errorf("subject is %q", s)
	}
}

// Whatever the disk made of a stored message: no panic, and it is one or it is none.
func FuzzReadBook(f *testing.F) {
	m := note(newPlan(mill()), toMaren)
	body, err := m.encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(messagePrefix+m.ID, body)
	f.Add(messagePrefix+"x", []byte(`{"id":"x","items":[{}]}`))
	f.Add(recordPrefix+"x", []byte("{}"))
	f.Fuzz(func(t *testing.T, key string, body []byte) {
		b, bad := readBook(map[string][]byte{key: body}, time.Time{})
		if len(b.messages)+len(b.records)+len(bad) != 1 {
			t.Errorf("%d messages, %d records, %d bad", len(b.messages), len(b.records), len(bad))
		}
		plan := newPlan(mill())
		for _, m := range b.messages {
			_, _ = plan.subject(m), plan.text(m)
			_ = plan.payload(m)
			_ = m.dueIn(time.Now())
		}
	})
}
