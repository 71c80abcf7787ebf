package notify

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ringwarden/fleet"
)

// staffed returns a fleet with somebody for each sort of route.
func staffed(t *testing.T) *fleet.Fleet {
	f := mill()
	secret := secretFile(t, testSecret)
	hook := func(name string) fleet.Webhook {
		return fleet.Webhook{Name: name, URL: "http://" + name + ".example/", SecretFile: secret}
	}
	f.Notify = fleet.Notify{
		Webhooks: []fleet.Webhook{hook("desk"), hook("maren"), hook("oduya")},
		People: []fleet.Person{
			{Name: "Maren", Webhook: "maren", Quiet: fleet.Quiet{From: 22 * 60, Until: 7 * 60}, QuietUpTo: fleet.Medium},
			{Name: "Oduya", Webhook: "oduya"},
		},
		Routes: []fleet.Route{
			{To: []string{"desk", "Maren"}, At: "mill"},
			{To: []string{"desk"}, At: "mill/north"},
			{To: []string{"Oduya"}, Least: fleet.High},
		},
	}
	return f
}

// a changes an alarm on a subject.
func a(subject fleet.Subject, p fleet.Priority, from, to fleet.AlarmState) fleet.Change {
	return change(time.Now(), fleet.AlarmKey{Kind: "link-down", Subject: subject}, p, from, to)
}

// tell puts changes and returns what was told within a while, as recipient, number of alarms and first news.
func tell(t *testing.T, f *fleet.Fleet, within time.Duration, changes func(put func(fleet.Change))) []string {
	t.Helper()
	server := &desktop{}
	d := open(t, f, &memory{entries: map[string][]byte{}}, Options{Dial: serve(t, server).dial})
	defer run(t, d)()
	changes(func(c fleet.Change) {
		if err := d.PutChanges(t.Context(), []fleet.Change{c}); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
	})
	time.Sleep(within)
	var told []string
	for _, r := range server.receipts() {
		alarms := r.payload.Data.Alarms
		told = append(told, fmt.Sprintf("%s %d %s", r.payload.Data.Recipient, len(alarms), alarms[0].News))
	}
	return told
}

// The right people hear of the right alarms, once each; nobody hears of what asks nobody for anything.
func TestWhoIsToldOfWhat(t *testing.T) {
	const (
		normal, unack, acked, returned = fleet.AlarmNormal, fleet.Unacknowledged, fleet.Acknowledged, fleet.ReturnedUnacknowledged
		hidden, shelved, service       = fleet.Suppressed, fleet.Shelved, fleet.OutOfService
	)
	for _, c := range []struct {
		at       fleet.Subject
		priority fleet.Priority
		from, to fleet.AlarmState
		want     string
	}{
		{"mill", fleet.Low, normal, unack, "Maren 1 raised, desk 1 raised"},
		{"mill/north/alder", fleet.Medium, normal, unack, "Maren 1 raised, desk 1 raised"},
		{"mill/north/alder>birch", fleet.High, normal, unack, "Maren 1 raised, Oduya 1 raised, desk 1 raised"},
		{"weir/low/cedar", fleet.High, normal, unack, "Oduya 1 raised"},
		{"weir/low/cedar", fleet.Medium, normal, unack, ""},
		{"millstone", fleet.Medium, normal, unack, ""}, // not inside mill
		{fleet.OwnStore, fleet.High, normal, unack, "Oduya 1 raised"},
		{fleet.OwnStore, fleet.Medium, normal, unack, "Maren 1 raised, desk 1 raised"}, // no route is for everywhere: all are
		{"mill", fleet.Low, returned, unack, "Maren 1 raised, desk 1 raised"},
		{"mill", fleet.Low, hidden, unack, "Maren 1 raised, desk 1 raised"},
		{"mill", fleet.Low, shelved, unack, "Maren 1 raised, desk 1 raised"},
		{"mill", fleet.Low, unack, returned, "Maren 1 returned, desk 1 returned"},
		{"mill", fleet.Low, acked, normal, "Maren 1 returned, desk 1 returned"},
		{"mill", fleet.Low, acked, hidden, "Maren 1 explained, desk 1 explained"},
		{"mill", fleet.Low, unack, acked, ""},
		{"mill", fleet.Low, normal, hidden, ""},
		{"mill", fleet.Low, hidden, normal, ""},
		{"mill", fleet.Low, unack, shelved, ""},
		{"mill", fleet.Low, acked, service, ""},
		{"mill", fleet.Low, returned, normal, ""},
	} {
		synctest.Test(t, func(t *testing.T) {
			time.Sleep(12 * time.Hour) // bubbles begin at midnight UTC
			told := tell(t, staffed(t), time.Minute, func(put func(fleet.Change)) { put(a(c.at, c.priority, c.from, c.to)) })
			slices.Sort(told)
			if got := strings.Join(told, ", "); got != c.want {
				t.Errorf("%s alarm on %s, %s to %s: %q, want %q", c.priority, c.at, c.from, c.to, got, c.want)
			}
		})
	}
}

// At night lesser alarms wait for the morning and come as one message; what is urgent comes at once.
func TestQuietHoursHoldBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // at midnight, in winter: the same in Dublin
		f := staffed(t)
		f.Notify.Routes = []fleet.Route{{To: []string{"Maren"}}}
		night := func(put func(fleet.Change)) {
			put(a("mill/north/alder", fleet.Low, fleet.AlarmNormal, fleet.Unacknowledged))
			put(a("mill/north/birch", fleet.Medium, fleet.AlarmNormal, fleet.Unacknowledged))
			put(a("mill/north/cedar", fleet.High, fleet.AlarmNormal, fleet.Unacknowledged))
			put(a("mill/north/alder", fleet.Low, fleet.Unacknowledged, fleet.ReturnedUnacknowledged))
		}
		if told := tell(t, f, 7*time.Hour-time.Second, night); strings.Join(told, ", ") != "Maren 1 raised" {
			t.Errorf("before seven: %q", told)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		f := staffed(t)
		f.Notify.Routes = []fleet.Route{{To: []string{"Maren"}}}
		told := tell(t, f, 7*time.Hour+time.Second, func(put func(fleet.Change)) {
			put(a("mill/north/alder", fleet.Low, fleet.AlarmNormal, fleet.Unacknowledged))
			put(a("mill/north/birch", fleet.Medium, fleet.AlarmNormal, fleet.Unacknowledged))
			put(a("mill/north/alder", fleet.Low, fleet.Unacknowledged, fleet.ReturnedUnacknowledged))
		})
		if strings.Join(told, ", ") != "Maren 2 returned" {
			t.Errorf("at seven: %q", told)
		}
	})
}

// More than 10 alarms in 10 minutes are a flood (ANSI/ISA-18.2-2016, 16.4.4, as other documents give it): the first ten
// come one by one, the others together; when fewer than 5 come in 10 minutes it is over. A restart begins no new one.
func TestFloodComesAsDigest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := staffed(t)
		f.Notify.Routes = []fleet.Route{{To: []string{"desk"}}}
		n := 0
		told := tell(t, f, 10*time.Minute, func(put func(fleet.Change)) {
			raise := func(many int, p fleet.Priority) {
				for range many {
					n++
					put(a(fleet.Subject(fmt.Sprintf("mill/north/%d", n)), p, fleet.AlarmNormal, fleet.Unacknowledged))
				}
			}
			raise(15, fleet.Medium)
			time.Sleep(floodGather + time.Second) // one digest of 5
			raise(3, fleet.High)
			time.Sleep(floodGatherUrgent + time.Second) // one of 3, sooner
			time.Sleep(10 * time.Minute)
			raise(1, fleet.Medium) // it is over
		})
		want := append(slices.Repeat([]string{"desk 1 raised"}, 10), "desk 5 raised", "desk 3 raised", "desk 1 raised")
		if !slices.Equal(told, want) {
			t.Errorf("told %q, want %q", told, want)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		f := staffed(t)
		f.Notify.Routes = []fleet.Route{{To: []string{"desk"}}}
		server, store := &desktop{}, &memory{entries: map[string][]byte{}}
		network := serve(t, server)
		d := open(t, f, store, Options{Dial: network.dial})
		for n := range 12 {
			if n == 10 {
				store = store.after()
				d = open(t, f, store, Options{Dial: network.dial})
			}
			if err := d.PutChanges(t.Context(), []fleet.Change{a(fleet.Subject(fmt.Sprint("mill/north/", n)), fleet.Low, fleet.AlarmNormal, fleet.Unacknowledged)}); err != nil {
				t.Fatal(err)
			}
		}
		if len(store.entries) != 11 {
			t.Errorf("%d messages wait, want 10 and one digest", len(store.entries))
		}
	})
}

// A server that is down for long leaves a bounded queue: 100 messages and a digest of the 100 most urgent others.
func TestQueueIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := staffed(t)
		f.Notify.Routes = []fleet.Route{{To: []string{"desk"}}}
		server := &desktop{answer: func(*receipt) int { return http.StatusServiceUnavailable }}
		store := &memory{entries: map[string][]byte{}}
		d := open(t, f, store, Options{Dial: serve(t, server).dial})
		stop := run(t, d)
		for n := range 400 {
			time.Sleep(3 * time.Minute) // no flood
			p := fleet.Low
			if n%10 == 0 {
				p = fleet.High
			}
			if err := d.PutChanges(t.Context(), []fleet.Change{a(fleet.Subject(fmt.Sprint("mill/north/", n)), p, fleet.AlarmNormal, fleet.Unacknowledged)}); err != nil {
				t.Fatal(err)
			}
		}
		stop()
		d = open(t, f, store.after(), Options{})
		q := d.book.queue(Channel{Via: ViaWebhook, Sink: "desk"})
		last := q[len(q)-1]
		if len(q) != waitingLimit+1 || len(last.Items) != digestLimit || last.More != 200 {
			t.Fatalf("%d messages wait; the last has %d alarms and %d more", len(q), len(last.Items), last.More)
		}
		urgent := 0
		for i := range last.Items {
			if last.Items[i].Alarm.Priority == fleet.High {
				urgent++
			}
		}
		if urgent != 30 {
			t.Errorf("%d of the 30 urgent alarms are left in the digest", urgent)
		}
	})
}

// Whoever is taken out of the fleet file is not tried for ever: what waits for them is given up, with a record.
func TestRecipientsThatAreGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := staffed(t)
		server, store := &desktop{answer: func(*receipt) int { return http.StatusBadGateway }}, &memory{entries: map[string][]byte{}}
		d := open(t, f, store, Options{Dial: serve(t, server).dial})
		defer run(t, d)()
		if err := d.PutChanges(t.Context(), []fleet.Change{a("mill", fleet.High, fleet.AlarmNormal, fleet.Unacknowledged)}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Minute)
		g := *f
		g.Notify = fleet.Notify{Webhooks: f.Notify.Webhooks, People: f.Notify.People[1:], Routes: f.Notify.Routes}
		d.Update(&g)
		time.Sleep(time.Minute)
		for _, h := range d.Health() {
			gone := h.Sink == "maren"
			if gone != (h.GivenUp == 1) || gone != (h.Waiting == 0) {
				t.Errorf("after Maren has gone: %+v", h)
			}
		}
	})
}

// Whoever mends a way in the fleet file need not wait for the next try, which may be minutes away.
func TestAReloadTriesAgainAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := hooked(t)
		mended := false
		server := &desktop{answer: func(*receipt) int {
			if mended {
				return http.StatusNoContent
			}
			return http.StatusBadGateway
		}}
		d := open(t, f, &memory{entries: map[string][]byte{}}, Options{Dial: serve(t, server).dial})
		defer run(t, d)()
		if err := d.PutChanges(t.Context(), []fleet.Change{a("mill", fleet.High, fleet.AlarmNormal, fleet.Unacknowledged)}); err != nil {
			t.Fatal(err)
		}
		tries := func() int {
			server.mu.Lock()
			defer server.mu.Unlock()
			return len(server.got)
		}
		time.Sleep(30 * time.Minute)
		for before := tries(); tries() == before; { // until just after a try
			time.Sleep(time.Second)
		}
		server.mu.Lock()
		mended = true
		server.mu.Unlock()
		d.Update(f)
		time.Sleep(2 * time.Second)
		for _, h := range d.Health() {
			if h.Waiting != 0 {
				t.Errorf("two seconds after the reload: %+v", h)
			}
		}
	})
}

// The same changes put again, after an end that nobody saw, are the same messages.
func TestPuttingAgainTellsOnce(t *testing.T) {
	f := staffed(t)
	store := &memory{entries: map[string][]byte{}}
	d := open(t, f, store, Options{})
	changes := []fleet.Change{a("mill", fleet.High, fleet.AlarmNormal, fleet.Unacknowledged)}
	for range 2 {
		if err := d.PutChanges(t.Context(), changes); err != nil {
			t.Fatal(err)
		}
	}
	if len(store.entries) != 3 {
		t.Errorf("%d messages for three recipients", len(store.entries))
	}
}
