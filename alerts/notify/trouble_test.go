package notify

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ringwarden/fleet"
)

// raise puts a new alarm of its own, as the road does: what was refused before comes first.
func raise(t *testing.T, d *Desk, pending *[]fleet.Change, n int, p fleet.Priority) error {
	t.Helper()
	key := fleet.AlarmKey{Kind: "link-down", Subject: fleet.Subject(fmt.Sprintf("mill/north/%d", n))}
	*pending = append(*pending, change(time.Now(), key, p, fleet.AlarmNormal, fleet.Unacknowledged))
	return putAgain(t, d, pending)
}

func putAgain(t *testing.T, d *Desk, pending *[]fleet.Change) error {
	err := d.PutChanges(t.Context(), *pending)
	if err == nil {
		*pending = nil
	}
	return err
}

// kept returns how many entries of the outbox a store has, and the changes.
func (s *memory) kept() (entries int, changes []fleet.Change) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.entries), slices.Clone(s.changes)
}

// owes returns how many changes and records a desk owes its store, and whether it lags.
func (d *Desk) owes() (told, records int, behind bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.owed.told), len(d.owed.records), d.owed.behind
}

// A disk that is full for two days: everybody is told all the same and at once, of the store's own trouble as well. Once
// it works again it holds every change, nothing is told a second time, and nothing waits.
func TestToldWhileTheStoreRefuses(t *testing.T) {
	for name, how := range map[string]int{"refused": refusedIt, "stored with an error": storedIt} {
		synctest.Test(t, func(t *testing.T) {
			server := &desktop{}
			var works atomic.Bool
			store := &memory{entries: map[string][]byte{}, fail: func() (int, bool) { return how, !works.Load() }}
			d := open(t, hooked(t), store, Options{Dial: serve(t, server).dial})
			defer run(t, d)()
			var pending []fleet.Change
			behind := change(time.Now(), fleet.AlarmKey{Kind: "store-behind", Subject: fleet.OwnStore}, fleet.Medium, fleet.AlarmNormal, fleet.Unacknowledged)
			pending = append(pending, behind)
			for n := range 48 {
				if err := raise(t, d, &pending, n, fleet.High); err == nil {
					t.Fatalf("%s: the store takes what it should refuse", name)
				}
				time.Sleep(time.Second)
				if got := len(server.receipts()); got != n+2 {
					t.Fatalf("%s: %d messages came within a second of alarm %d, want %d", name, got, n, n+2)
				}
				for range 3 { // the road puts them again and again
					_ = putAgain(t, d, &pending)
					time.Sleep(20 * time.Minute)
				}
			}
			if got := server.receipts()[0].payload.Data.Alarms[0].Kind; got != "store-behind" {
				t.Errorf("%s: the first message is about %s", name, got)
			}
			works.Store(true)
			if err := putAgain(t, d, &pending); err != nil {
				t.Fatal(err)
			}
			time.Sleep(time.Hour)
			ids := map[string]bool{}
			for _, r := range server.receipts() {
				ids[r.id] = true
			}
			if len(server.receipts()) != 49 || len(ids) != 49 {
				t.Errorf("%s: %d messages under %d keys, want 49 once each", name, len(server.receipts()), len(ids))
			}
			entries, changes := store.kept()
			if owed, _, behind := d.owes(); entries != 0 || d.Health()[0].Waiting != 0 || owed != 0 || behind {
				t.Errorf("%s: %d entries wait in the store, %+v; %d changes are owed", name, entries, d.Health(), owed)
			}
			kept := map[fleet.Subject]bool{}
			for _, c := range changes {
				kept[c.Alarm.Subject] = true
			}
			if len(kept) != 49 {
				t.Errorf("%s: the store has changes of %d alarms, want 49", name, len(kept))
			}
		})
	}
}

// While the store refuses, what was given up is remembered, and what waits is bounded as ever; a restart afterwards finds
// in the store what still waits.
func TestOwedToTheStoreIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var gone, works atomic.Bool
		server := &desktop{answer: func(*receipt) int {
			if gone.Load() {
				return http.StatusGone
			}
			return http.StatusServiceUnavailable
		}}
		store := &memory{entries: map[string][]byte{}, fail: func() (int, bool) { return refusedIt, !works.Load() }}
		network := serve(t, server)
		f := hooked(t)
		d := open(t, f, store, Options{Dial: network.dial})
		stop := run(t, d)
		var pending []fleet.Change
		for n := range toldLimit + 500 {
			key := fleet.AlarmKey{Kind: "link-down", Subject: fleet.Subject(fmt.Sprintf("mill/north/%d", n))}
			pending = append(pending, change(time.Now().Add(time.Duration(n)), key, fleet.Low, fleet.AlarmNormal, fleet.Unacknowledged))
		}
		_ = putAgain(t, d, &pending)
		owed, _, _ := d.owes()
		if waits := d.Health()[0].Waiting; waits > waitingLimit+4 || owed != toldLimit {
			t.Errorf("%d messages wait, %d changes are remembered as told", waits, owed)
		}
		gone.Store(true)
		time.Sleep(24 * time.Hour)
		_, records, _ := d.owes()
		if h := d.Health()[0]; h.Waiting != 0 || h.GivenUp == 0 || records != int(h.GivenUp) {
			t.Errorf("health is %+v with %d records", h, records)
		}
		gone.Store(false)
		works.Store(true)
		pending = pending[500:] // the road has dropped the oldest
		if err := putAgain(t, d, &pending); err != nil {
			t.Fatal(err)
		}
		if err := raise(t, d, &pending, -1, fleet.High); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		stop()
		given := d.Health()[0].GivenUp
		after := open(t, f, store.after(), Options{Dial: network.dial})
		if h := after.Health()[0]; h.Waiting != 1 || len(after.book.records) != int(given) {
			t.Errorf("after a restart %+v, %d records of %d", h, len(after.book.records), given)
		}
	})
}

// A server that refuses connections, hangs, points elsewhere, answers 500 and asks for patience, an hour in all, through
// which alarms come and go and the store fails for a while: each is told, in order, under one key.
func TestAnHourOfEverything(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		server := &desktop{}
		var elsewhere atomic.Int64
		h := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			switch since := time.Since(start); {
			case r.URL.Path == "/elsewhere":
				elsewhere.Add(1)
			case since < 10*time.Minute:
				panic(http.ErrAbortHandler)
			case since < 20*time.Minute:
				time.Sleep(2 * httpTime) // it hangs
			case since < 30*time.Minute:
				http.Redirect(w, r, "http://other.example/elsewhere", http.StatusTemporaryRedirect)
			case since < 40*time.Minute:
				w.Header().Set("Retry-After", "240")
				w.WriteHeader(http.StatusTooManyRequests)
			case since < time.Hour:
				w.WriteHeader(http.StatusInternalServerError)
			default:
				server.ServeHTTP(w, r)
			}
		})
		store := &memory{entries: map[string][]byte{}, fail: func() (int, bool) {
			since := time.Since(start)
			return refusedIt, since > 15*time.Minute && since < 45*time.Minute
		}}
		d := open(t, hooked(t), store, Options{Dial: serve(t, h).dial})
		defer run(t, d)()
		var pending []fleet.Change
		const alarms = 20
		for n := range alarms {
			_ = raise(t, d, &pending, n, fleet.Medium)
			time.Sleep(3 * time.Minute)
		}
		time.Sleep(retryLimit)
		if err := putAgain(t, d, &pending); err != nil {
			t.Fatal(err)
		}
		told := map[string]string{}
		for n, r := range server.receipts() {
			of := string(r.payload.Data.Alarms[0].Subject)
			if id, ok := told[of]; ok && id != r.id {
				t.Errorf("%s was told as %s and as %s", of, id, r.id)
			}
			if want := fmt.Sprintf("mill/north/%d", n); of != want || !r.signed {
				t.Errorf("message %d is about %s, want %s", n, of, want)
			}
			told[of] = r.id
		}
		if entries, _ := store.kept(); len(told) != alarms || elsewhere.Load() != 0 || entries != 0 {
			t.Errorf("%d alarms were told, want %d; elsewhere was asked %d times; %d entries wait", len(told), alarms, elsewhere.Load(), entries)
		}
	})
}

// Whoever asks for patience gets it, within an hour: RFC 9110, 10.2.3.
func TestRetryAfter(t *testing.T) {
	now := time.Date(2026, 7, 3, 9, 12, 0, 0, time.UTC)
	for field, want := range map[string]time.Duration{
		"": 0, "120": 2 * time.Minute, " 5 ": 5 * time.Second, "0": 0, "-5": 0, "soon": 0, "99999999999999999999": 0, "86400": time.Hour, "18446744073709551615": time.Hour,
		"Fri, 03 Jul 2026 09:15:00 GMT": 3 * time.Minute, "Fri, 03 Jul 2026 09:00:00 GMT": 0, "Sat, 04 Jul 2026 09:15:00 GMT": time.Hour,
	} {
		if got := retryAfter(field, now); got != want {
			t.Errorf("Retry-After: %s is %v, want %v", field, got, want)
		}
	}
	synctest.Test(t, func(t *testing.T) {
		server := &desktop{}
		patience := func(w http.ResponseWriter, r *http.Request) {
			if len(server.receipts()) == 0 {
				w.Header().Set("Retry-After", "1800")
			}
			server.ServeHTTP(w, r)
		}
		server.answer = func(*receipt) int {
			if len(server.got) == 0 {
				return http.StatusServiceUnavailable
			}
			return http.StatusNoContent
		}
		d := open(t, hooked(t), &memory{entries: map[string][]byte{}}, Options{Dial: serve(t, http.HandlerFunc(patience)).dial})
		defer run(t, d)()
		if err := raise(t, d, new([]fleet.Change), 1, fleet.High); err != nil {
			t.Fatal(err)
		}
		time.Sleep(2 * time.Hour)
		got := server.receipts()
		if len(got) != 2 || got[1].at.Sub(got[0].at) != 30*time.Minute {
			t.Errorf("tried %d times: %v", len(got), got)
		}
	})
}

// An alarm of high priority that nobody has acknowledged is told again every four hours, twelve times at most, and no
// more once somebody has; what is less urgent is not, nor what the person has not even got yet.
func TestReminders(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := hooked(t)
		f.Notify.Remind = 4 * time.Hour
		server := &desktop{}
		var standing []fleet.Alarm
		var shown atomic.Pointer[[]fleet.Alarm]
		show := func() { shown.Store(new(slices.Clone(standing))) }
		show()
		d := open(t, f, &memory{entries: map[string][]byte{}}, Options{Dial: serve(t, server).dial, Standing: func() []fleet.Alarm { return *shown.Load() }})
		defer run(t, d)()
		for n, p := range []fleet.Priority{fleet.High, fleet.High, fleet.Medium} {
			if err := raise(t, d, new([]fleet.Change), n, p); err != nil {
				t.Fatal(err)
			}
			standing = append(standing, change(time.Now(), fleet.AlarmKey{Kind: "link-down", Subject: fleet.Subject(fmt.Sprintf("mill/north/%d", n))}, p, fleet.AlarmNormal, fleet.Unacknowledged).Alarm)
		}
		show()
		time.Sleep(9 * time.Hour)
		standing[1].State = fleet.Acknowledged
		show()
		time.Sleep(100 * time.Hour)
		var told []string
		for _, r := range server.receipts()[3:] {
			told = append(told, fmt.Sprint(r.payload.Type, len(r.payload.Data.Alarms)))
			if !strings.Contains(r.payload.Data.Text, "nobody has acknowledged") || !strings.Contains(r.payload.Data.Text, "ringwarden alarms acknowledge link-down 'mill/north/0'") {
				t.Fatalf("a reminder reads:\n%s", r.payload.Data.Text)
			}
		}
		want := "alarms.digest2 alarms.digest2" + strings.Repeat(" alarm.reminder1", remindLimit-2)
		if got := strings.Join(told, " "); got != want {
			t.Errorf("told %s\nwant %s", got, want)
		}
	})
}

// A way that does not work at all gets no pile of reminders, and a restart begins no new ones.
func TestRemindersDoNotPileUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := hooked(t)
		f.Notify.Remind = time.Hour
		var works atomic.Bool
		server := &desktop{answer: func(*receipt) int {
			if works.Load() {
				return http.StatusNoContent
			}
			return http.StatusBadGateway
		}}
		var standing atomic.Pointer[[]fleet.Alarm]
		standing.Store(new([]fleet.Alarm))
		o := Options{Dial: serve(t, server).dial, Standing: func() []fleet.Alarm { return *standing.Load() }}
		store := &memory{entries: map[string][]byte{}}
		d := open(t, f, store, o)
		stop := run(t, d)
		var pending []fleet.Change
		if err := raise(t, d, &pending, 0, fleet.High); err != nil {
			t.Fatal(err)
		}
		_, changes := store.kept()
		standing.Store(&[]fleet.Alarm{changes[0].Alarm})
		time.Sleep(6*time.Hour + 10*time.Minute)
		if h := d.Health()[0]; h.Waiting != 1 {
			t.Errorf("%d messages wait, want the one", h.Waiting)
		}
		stop()
		works.Store(true)
		store = store.after()
		defer run(t, open(t, f, store, o))()
		time.Sleep(30 * time.Minute)
		before := server.receipts()
		if last := before[len(before)-1]; !last.taken || last.payload.Type != "alarm.raised" || len(before) < 2 || before[len(before)-2].taken {
			t.Errorf("after the restart came %+v", last)
		}
		time.Sleep(time.Hour)
		if after := server.receipts()[len(before):]; len(after) != 1 || after[0].payload.Type != "alarm.reminder" {
			t.Errorf("an hour later came %+v, want one reminder", after)
		}
	})
}

// What was given up can be looked through, with why, and tried again under its key.
func TestGivenUpIsTriedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var status atomic.Int64
		status.Store(http.StatusGone)
		server := &desktop{answer: func(*receipt) int { return int(status.Load()) }}
		store := &memory{entries: map[string][]byte{}}
		d := open(t, hooked(t), store, Options{Dial: serve(t, server).dial})
		defer run(t, d)()
		for n := range 3 {
			if err := raise(t, d, new([]fleet.Change), n, fleet.High); err != nil {
				t.Fatal(err)
			}
			time.Sleep(time.Minute)
		}
		status.Store(http.StatusBadGateway)
		if err := raise(t, d, new([]fleet.Change), 3, fleet.High); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Minute)
		outbox, err := d.Outbox(t.Context())
		list := List(outbox)
		if err != nil || len(list) != 4 || list[0].GivenUp.IsZero() || !list[3].GivenUp.IsZero() || list[3].Due.IsZero() || list[3].Tries < 2 {
			t.Fatalf("Outbox() lists %+v, %v", list, err)
		}
		e := list[0]
		if e.To != "webhook desk" || e.Subject != "High: Fernhollow Mill: link-down on mill/north/0." || e.Alarms != 1 || e.Tries != 1 || !strings.Contains(e.Error, "410 Gone") {
			t.Errorf("given up: %+v", e)
		}
		status.Store(http.StatusNoContent)
		if n, err := d.Retry(t.Context(), list[1].ID); n != 1 || err != nil {
			t.Errorf("Retry() = %d, %v", n, err)
		}
		time.Sleep(backoffLimit)
		if n, err := d.Retry(t.Context(), list[1].ID); n != 0 || err == nil {
			t.Errorf("Retry() of what was sent = %d, %v", n, err)
		}
		if n, err := d.Retry(t.Context(), ""); n != 2 || err != nil {
			t.Errorf("Retry() of all = %d, %v", n, err)
		}
		time.Sleep(backoffLimit)
		taken := map[string]bool{}
		for _, r := range server.receipts() {
			taken[r.id] = taken[r.id] || r.taken
		}
		if entries, _ := store.kept(); len(taken) != 4 || !taken[list[0].ID] || !taken[list[1].ID] || !taken[list[2].ID] || entries != 0 {
			t.Errorf("taken: %v; %d entries are left", taken, entries)
		}
	})
}

// A change that can never be stored is put with others, then by halves, then alone, and dropped: the others are stored,
// and each is told once.
func TestChangesThatAreHalved(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		server := &desktop{}
		var refuse atomic.Bool
		store := &memory{entries: map[string][]byte{}, fail: func() (int, bool) { return refusedIt, refuse.Load() }}
		d := open(t, hooked(t), store, Options{Dial: serve(t, server).dial})
		defer run(t, d)()
		var all []fleet.Change
		for n := range 4 {
			key := fleet.AlarmKey{Kind: "link-down", Subject: fleet.Subject(fmt.Sprintf("mill/north/%d", n))}
			all = append(all, change(time.Now(), key, fleet.High, fleet.AlarmNormal, fleet.Unacknowledged))
		}
		for _, put := range []struct {
			changes []fleet.Change
			fails   bool
		}{{all, true}, {all[:2], false}, {all[2:], true}, {all[2:3], true}, {all[3:], false}} {
			refuse.Store(put.fails)
			if err := d.PutChanges(t.Context(), put.changes); (err != nil) != put.fails {
				t.Fatal(err)
			}
			time.Sleep(time.Second)
		}
		time.Sleep(time.Hour)
		ids := map[string]bool{}
		for _, r := range server.receipts() {
			ids[r.id] = true
		}
		entries, changes := store.kept()
		owed, _, behind := d.owes()
		if len(server.receipts()) != 4 || len(ids) != 4 || len(changes) != 3 || entries != 0 || owed != 0 || behind {
			t.Errorf("%d messages under %d keys; %d changes and %d entries are stored; %d are owed", len(server.receipts()), len(ids), len(changes), entries, owed)
		}
	})
}
