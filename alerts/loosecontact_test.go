package alerts_test

import (
	"testing"
	"time"

	"ringwarden/alerts"
	"ringwarden/fleet"
	"ringwarden/simulator"
)

// A loose contact that lets go for some six seconds every half minute is a noisy cable within a quarter of an hour, also
// where polls are so fast that many of them see no frame at all.
func TestLooseContactIsNoisy(t *testing.T) {
	for seed := range uint64(4) {
		f := healthyFleet(5)
		f.Periods = fleet.Periods{Fast: time.Second, Normal: 10 * time.Second, Slow: time.Minute}
		p, err := simulator.New(f, loadMaps(t, f), simulator.Options{Seed: seed + 1, Charge: 0.8})
		if err != nil {
			t.Fatal(err)
		}
		cable := fleet.Subject(f.Sites[0].Rings[0].Links()[1].ID)
		e := alerts.New(f)
		p.Advance(p.Now().Add(time.Second)) // before its first step a plant has no voltages
		start, broke := p.Now(), 10*time.Minute
		var frame fleet.Frame
		found := time.Duration(0)
		for at := time.Duration(0); at <= broke+15*time.Minute && found == 0; at += f.Periods.Fast {
			if at == broke {
				loose := simulator.Fault{Kind: simulator.IntermittentLink, On: cable, Burst: 6 * time.Second, Gap: 30 * time.Second}
				if err := p.Inject(loose); err != nil {
					t.Fatal(err)
				}
			}
			now := start.Add(at)
			p.Advance(now)
			for i := range f.Sites[0].Rings[0].Controllers {
				if p.Frame(f.Sites[0].Rings[0].Controllers[i].ID, fleet.Fast, &frame) {
					e.Put(&frame)
				}
			}
			for _, c := range e.Advance(now) {
				if c.Alarm.Kind == "link-noisy" && c.Alarm.Subject == cable {
					found = at - broke
				}
			}
		}
		if found <= 0 {
			t.Errorf("seed %d: not found in 15 minutes", seed+1)
		} else {
			t.Logf("seed %d: found after %s", seed+1, found)
		}
	}
}
