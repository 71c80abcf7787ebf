package dashboard

import (
	"context"
	"slices"
	"sync"
	"time"

	"ringwarden/diagnosis"
	"ringwarden/fleet"
	"ringwarden/store"
)

// Studies weigh the stored readings of those rings whose cables somebody looks at: which cable or unit is to blame, since
// when, what goes along with it, and what a swap of cables has shown. That takes seconds, so one goroutine does it in the
// background ([Studies.Run]), and pages show what was found last and how old it is.
type Studies struct {
	journal *store.Store
	live    *Live // whose pages are told that something was found
	now     func() time.Time
	wanted  chan *study // when it is full, the next look at the page asks again

	mu    sync.Mutex // guards all below, and found, asked, queued and rest of each study
	rings map[fleet.RingID]*study
}

// Limits of studies: how many rings are remembered (the one that was not looked at for longest is forgotten), how far back
// their readings are weighed, and how long reading them may take; of a larger ring or a slower disk a shorter past is
// weighed. A study rests restShare times as long as it took before it is taken up again, and restLeast at least.
const (
	maxStudies = 16
	lookBack   = 7 * 24 * time.Hour
	firstLook  = 6 * time.Hour // is weighed at once, to have something to show
	readBudget = 8 * time.Second
	restShare  = 20
	restLeast  = 5 * time.Second
	// renewAfter is when a study begins anew, so that the past which it weighs does not grow without end.
	renewAfter = 24 * time.Hour
)

// NewStudies returns studies of what is in the journal. Live may be nil. Now is the clock that the frames go by; nil:
// time.Now.
func NewStudies(journal *store.Store, live *Live, now func() time.Time) *Studies {
	if now == nil {
		now = time.Now
	}
	return &Studies{journal: journal, live: live, now: now, wanted: make(chan *study, maxStudies), rings: map[fleet.RingID]*study{}}
}

// Run works on what is asked for until ctx is done.
func (s *Studies) Run(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case st := <-s.wanted:
			began := time.Now()
			st.work(ctx, s)
			now := time.Now()
			s.mu.Lock()
			st.queued, st.rest = false, now.Add(max(restLeast, restShare*now.Sub(began)))
			s.mu.Unlock()
		}
	}
}

// of returns what was last found of a ring, nil if that is nothing yet, and asks for something newer if it is time to. It
// never waits.
func (s *Studies) of(site *fleet.Site, ring *fleet.Ring, periods fleet.Periods) *findings {
	if s == nil {
		return nil
	}
	now := time.Now()
	s.mu.Lock()
	defer s.mu.Unlock()
	st := s.rings[ring.ID]
	if st == nil || st.ring != ring { // new, or the fleet file was read again
		s.forgetOne(st == nil)
		st = &study{site: site, ring: ring, periods: periods}
		s.rings[ring.ID] = st
	}
	st.asked = now
	if !st.queued && !now.Before(st.rest) {
		select {
		case s.wanted <- st:
			st.queued = true
		default:
		}
	}
	return st.found
}

// again lets the next look at a ring ask for something newer at once: somebody has just written something down.
func (s *Studies) again(id fleet.RingID) {
	if s == nil {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if st := s.rings[id]; st != nil {
		st.rest = time.Time{}
	}
}

// forgetOne makes room for one more. The caller holds mu.
func (s *Studies) forgetOne(more bool) {
	if !more || len(s.rings) < maxStudies {
		return
	}
	var oldest *study
	for _, st := range s.rings {
		if oldest == nil || st.asked.Before(oldest.asked) {
			oldest = st
		}
	}
	delete(s.rings, oldest.ring.ID)
}

// A study is what is known of one ring. Beside what [Studies] guards, only its goroutine touches it.
type study struct {
	site    *fleet.Site
	ring    *fleet.Ring
	periods fleet.Periods

	found  *findings // never changes once it is here
	asked  time.Time
	queued bool
	rest   time.Time // not taken up before

	weighed *diagnosis.Ring
	first   time.Time // reading that was weighed
	began   time.Time // when it was begun anew
	points  map[fleet.ControllerID]linkPoints
	heat    heatStudy
	swaps   []fleet.Note // that were weighed
}

// work reads what is new, or everything if nothing is known yet, and publishes what it says.
func (st *study) work(ctx context.Context, s *Studies) {
	now := s.now()
	swaps, err := s.swapNotes(ctx, st.ring, now)
	if err != nil {
		st.publish(s, st.fail(err))
		return
	}
	fresh := !slices.Equal(swaps, st.swaps) // what was counted before a swap and after it must be told apart
	st.swaps = swaps
	if fresh || st.weighed == nil || st.weighed.Newest().IsZero() || now.Sub(st.began) > renewAfter {
		took, err := st.begin(ctx, s, now, firstLook)
		if err != nil {
			st.publish(s, st.fail(err))
			return
		}
		if st.found == nil { // something to show, before the whole is read
			st.publish(s, st.find())
		}
		if past := affordable(took); past > firstLook {
			_, err = st.begin(ctx, s, now, past)
		}
		if err != nil {
			st.publish(s, st.fail(err))
			return
		}
	} else if err := st.read(ctx, s, st.weighed, st.weighed.Newest().Add(-time.Minute), now); err != nil {
		st.publish(s, st.fail(err))
		return
	}
	st.heat.update(ctx, s, st, now)
	st.publish(s, st.find())
}

// affordable returns how far back can be read in the time there is, if the first look took so long.
func affordable(took time.Duration) time.Duration {
	if took <= 0 {
		return lookBack
	}
	return min(lookBack, time.Duration(float64(firstLook)*float64(readBudget)/float64(took)))
}

// begin weighs the readings of a past from the beginning, and returns how long reading them took.
func (st *study) begin(ctx context.Context, s *Studies, now time.Time, past time.Duration) (time.Duration, error) {
	r := diagnosis.New(st.ring, st.periods)
	r.Zone = st.site.Zone
	for _, n := range st.swaps {
		r.Note(n)
	}
	began := time.Now()
	for _, w := range stretches(now, past, st.swaps) {
		st.first = time.Time{}
		if err := st.read(ctx, s, r, w.from, w.to); err != nil {
			return 0, err
		}
	}
	st.weighed, st.began = r, now
	return time.Since(began), nil
}

// read lets a memory take the ring's frames of a time. It ends early, without an error, after four times the time that
// reading should take: what has come by then is weighed.
func (st *study) read(ctx context.Context, s *Studies, r *diagnosis.Ring, from, to time.Time) error {
	limited, cancel := context.WithTimeout(ctx, 4*readBudget)
	defer cancel()
	ids := make([]fleet.ControllerID, len(st.ring.Controllers))
	for i := range st.ring.Controllers {
		ids[i] = st.ring.Controllers[i].ID
	}
	for f, err := range s.journal.Frames(limited, store.Query{Controllers: ids, From: from, To: to}) {
		if err != nil {
			if limited.Err() != nil && ctx.Err() == nil {
				return nil
			}
			return err
		}
		if st.first.IsZero() {
			st.first = f.At
		}
		st.notePoints(&f)
		r.Put(&f)
	}
	return nil
}

func (st *study) publish(s *Studies, f *findings) {
	if f == nil {
		return
	}
	s.mu.Lock()
	st.found = f
	s.mu.Unlock()
	if s.live != nil {
		s.live.PutChanges(nil)
	}
}
