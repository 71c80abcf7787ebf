package notify

import (
	"net/http"
	"strconv"
	"testing"
	"testing/synctest"
	"time"

	"ringwarden/fleet"
)

// hooked returns a fleet that tells a webhook of everything.
func hooked(t *testing.T) *fleet.Fleet {
	f := mill()
	f.Notify = fleet.Notify{
		Webhooks: []fleet.Webhook{{Name: "desk", URL: "http://desk.example/alarms", SecretFile: secretFile(t, testSecret)}},
		Routes:   []fleet.Route{{To: []string{"desk"}}},
	}
	return f
}

// A service desk whose server answers 500 for an hour gets everything that happened meanwhile, in order, each under
// one key through all tries, and is not hammered: common practice, no source.
func TestAnHourOf500(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		well := time.Now().Add(time.Hour)
		server := &desktop{answer: func(r *receipt) int {
			if r.at.Before(well) {
				return http.StatusInternalServerError
			}
			return http.StatusOK
		}}
		network := serve(t, server)
		d := open(t, hooked(t), &memory{entries: map[string][]byte{}}, Options{Dial: network.dial})
		defer run(t, d)()
		for n := range 6 {
			c := change(time.Now(), fleet.AlarmKey{Kind: "link-down", Subject: fleet.Subject("mill/north/" + strconv.Itoa(n))}, fleet.Medium, fleet.AlarmNormal, fleet.Unacknowledged)
			if err := d.PutChanges(t.Context(), []fleet.Change{c}); err != nil {
				t.Fatal(err)
			}
			time.Sleep(7 * time.Minute)
		}
		time.Sleep(time.Until(well) + backoffLimit + time.Minute)

		ids, taken, tries := map[string]bool{}, 0, 0
		for _, r := range server.receipts() {
			ids[r.id] = true
			if !r.signed {
				t.Errorf("%s of %v is not signed for its time", r.id, r.at)
			}
			if r.taken {
				if want := fleet.Subject("mill/north/" + strconv.Itoa(taken)); r.payload.Data.Alarms[0].Subject != want {
					t.Errorf("message %d is about %s, want %s", taken, r.payload.Data.Alarms[0].Subject, want)
				}
				taken++
			} else {
				tries++
			}
		}
		if len(ids) != 6 || taken != 6 {
			t.Errorf("%d messages were taken under %d keys, want 6 and 6", taken, len(ids))
		}
		// 5, 10, 20, 40, 80, 160 s and then every 5 min: 6 and 11, with a jitter of a quarter to the shorter side.
		if tries < 15 || tries > 25 {
			t.Errorf("%d tries failed in an hour", tries)
		}
		if h := d.Health(); len(h) != 1 || h[0] != (Health{Sink: "desk", Sent: 6, Failed: uint64(tries)}) {
			t.Errorf("health is %+v after %d failed tries", h, tries)
		}
	})
}

// What will never be taken is given up, after about a day or at once where the other side says so; that is recorded,
// and what comes after it goes out.
func TestGivingUp(t *testing.T) {
	for status, atOnce := range map[int]bool{http.StatusGone: true, http.StatusForbidden: false} {
		synctest.Test(t, func(t *testing.T) {
			first := ""
			server := &desktop{}
			server.answer = func(r *receipt) int {
				if first == "" {
					first = r.id
				}
				if r.id == first {
					return status
				}
				return http.StatusOK
			}
			store := &memory{entries: map[string][]byte{}}
			d := open(t, hooked(t), store, Options{Dial: serve(t, server).dial})
			defer run(t, d)()
			start := time.Now()
			for _, kind := range []fleet.Kind{"link-down", "link-noisy"} {
				c := change(time.Now(), fleet.AlarmKey{Kind: kind, Subject: "mill/north/a>b"}, fleet.High, fleet.AlarmNormal, fleet.Unacknowledged)
				if err := d.PutChanges(t.Context(), []fleet.Change{c}); err != nil {
					t.Fatal(err)
				}
			}
			time.Sleep(48 * time.Hour)
			h := d.Health()[0]
			if h.Sent != 1 || h.GivenUp != 1 || h.Waiting != 0 {
				t.Errorf("%d: health is %+v", status, h)
			}
			if last := server.receipts()[h.Failed-1].at.Sub(start); atOnce != (last < time.Minute) || !atOnce && (last < 18*time.Hour || last > 26*time.Hour) {
				t.Errorf("%d: given up after %v and %d tries", status, last, h.Failed)
			}
			records := 0
			for key := range store.entries {
				if len(key) > len(recordPrefix) && key[:len(recordPrefix)] == recordPrefix {
					records++
				}
			}
			if records != 1 || len(store.entries) != 1 {
				t.Errorf("%d: %d records among %d entries, want 1 of 1", status, records, len(store.entries))
			}
		})
	}
}
