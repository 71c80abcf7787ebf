package notify

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ringwarden/fleet"
)

// A board is what an Alertmanager makes of the alerts that are posted: the last post about the same labels counts, and
// an alert is over at its endsAt.
type board struct {
	t      *testing.T
	mu     sync.Mutex
	down   bool
	posts  int
	alerts map[string]alert
}

func (b *board) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.posts++
	user, password, _ := r.BasicAuth()
	var alerts []alert
	switch err := json.NewDecoder(r.Body).Decode(&alerts); {
	case b.down:
		w.WriteHeader(http.StatusBadGateway)
		return
	case err != nil, r.Method != http.MethodPost, r.URL.Path != "/alerts/api/v2/alerts", user != "mill", password != "k0rnblume":
		b.t.Errorf("%s %s by %q with %d alerts: %v", r.Method, r.URL, user, len(alerts), err)
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	for _, a := range alerts {
		b.alerts[fmt.Sprint(a.Labels)] = a
	}
}

// standing returns the links and controllers that the board shows.
func (b *board) standing() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	var all []string
	for _, a := range b.alerts {
		if a.EndsAt.After(time.Now()) && !a.StartsAt.After(time.Now()) {
			all = append(all, a.Labels["controller"]+a.Labels["link"])
		}
	}
	slices.Sort(all)
	return strings.Join(all, " ")
}

func (b *board) set(down bool) { b.mu.Lock(); defer b.mu.Unlock(); b.down = down }

// An Alertmanager shows what stands, while it stands: through its own outage, through a restart of ours, and no longer
// than a few minutes after we are gone.
func TestAlertmanagerShowsWhatStands(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := mill()
		f.Notify = fleet.Notify{
			Alertmanagers: []fleet.Alertmanager{{Name: "company", URL: "http://alerts.example/alerts", User: "mill", PasswordFile: secretFile(t, "k0rnblume"), Resend: time.Minute}},
			Routes:        []fleet.Route{{To: []string{"company"}, Least: fleet.Medium}},
		}
		b := &board{t: t, alerts: map[string]alert{}}
		network, store := serve(t, b), &memory{entries: map[string][]byte{}}
		var mu sync.Mutex
		alarms := map[fleet.Subject]fleet.Alarm{}
		o := Options{Dial: network.dial, Standing: func() []fleet.Alarm {
			mu.Lock()
			defer mu.Unlock()
			return slices.Collect(maps.Values(alarms))
		}}
		d := open(t, f, store, o)
		stop := run(t, d)
		put := func(subject fleet.Subject, p fleet.Priority, from, to fleet.AlarmState) {
			t.Helper()
			c := a(subject, p, from, to)
			mu.Lock()
			alarms[subject] = c.Alarm
			mu.Unlock()
			if err := d.PutChanges(t.Context(), []fleet.Change{c}); err != nil {
				t.Fatal(err)
			}
			synctest.Wait()
		}
		want := func(what, want string) {
			t.Helper()
			if got := b.standing(); got != want {
				t.Errorf("%s: it shows %q, want %q", what, got, want)
			}
		}
		put("mill/north/alder", fleet.High, fleet.AlarmNormal, fleet.Unacknowledged)
		put("mill/north/alder>birch", fleet.Medium, fleet.AlarmNormal, fleet.Unacknowledged)
		put("mill/north/cedar", fleet.Low, fleet.AlarmNormal, fleet.Unacknowledged) // of no concern
		want("raised", "alder alder>birch")
		time.Sleep(time.Hour)
		want("an hour later", "alder alder>birch")
		put("mill/north/alder", fleet.High, fleet.Unacknowledged, fleet.Acknowledged)
		want("acknowledged", "alder alder>birch")

		b.set(true)
		put("mill/north/alder", fleet.High, fleet.Acknowledged, fleet.Shelved)
		put("mill/north/dogwood", fleet.High, fleet.AlarmNormal, fleet.Unacknowledged)
		put("mill/north/dogwood", fleet.High, fleet.Unacknowledged, fleet.ReturnedUnacknowledged)
		put("mill/north/elm", fleet.High, fleet.AlarmNormal, fleet.Unacknowledged)
		if n := d.Health()[0].Waiting; n != 3 {
			t.Errorf("%d messages wait about three alarms", n)
		}
		time.Sleep(30 * time.Minute)
		stop()
		store = store.after()
		d = open(t, f, store, o)
		stop = run(t, d)
		b.set(false)
		time.Sleep(backoffLimit + time.Minute)
		want("after its outage and our restart", "alder>birch elm")
		put("mill/north/elm", fleet.High, fleet.Unacknowledged, fleet.ReturnedUnacknowledged)
		want("returned", "alder>birch")
		if n := d.Health()[0].Waiting; n != 0 {
			t.Errorf("%d messages wait", n)
		}
		stop()
		time.Sleep(alertHolds*time.Minute + time.Second)
		want("after we are gone", "")
	})
}
