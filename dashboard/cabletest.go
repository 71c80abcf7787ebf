package dashboard

import (
	"context"
	"errors"
	"sync"
	"time"

	"ringwarden/fleet"
)

// A LinkWatch polls what some controllers count on their cables and nothing else, as fast as they allow, and calls put
// with every answer until ctx is done; not after it has returned. Put keeps nothing of the frame. The error says why it
// cannot.
type LinkWatch func(ctx context.Context, ids []fleet.ControllerID, put func(*fleet.Frame)) error

// CableTests are times in which the cables of a ring are watched closely while somebody works at them: one for each ring,
// which others may watch too. The daemon owns them ([CableTests.Run]): each ends by itself after a while, or soon after
// the last one who looks has gone.
type CableTests struct {
	watch   LinkWatch
	longest time.Duration
	begun   chan *cableTest // taken by Run; when it is full, nobody can begin one

	mu    sync.Mutex // guards all below
	rings map[fleet.RingID]*cableTest
}

// Limits of cable tests: how long one lasts, how long it goes on while nobody looks, and how many are remembered, with
// those that have ended.
const (
	testTime    = 10 * time.Minute
	testAlone   = 30 * time.Second
	testTick    = time.Second
	maxTests    = 32
	testBacklog = 8
)

// NewCableTests returns tests that watch links in the way given. Longest is how long one may last; 0: ten minutes.
func NewCableTests(watch LinkWatch, longest time.Duration) *CableTests {
	if longest <= 0 {
		longest = testTime
	}
	return &CableTests{watch: watch, longest: longest, begun: make(chan *cableTest, testBacklog), rings: map[fleet.RingID]*cableTest{}}
}

// Run carries tests out until ctx is done, and then waits for those under way.
func (c *CableTests) Run(ctx context.Context) {
	var all sync.WaitGroup
	defer all.Wait()
	for {
		select {
		case <-ctx.Done():
			return
		case t := <-c.begun:
			all.Go(func() { t.run(ctx, c.watch) })
		}
	}
}

var errTests = errors.New("too many cable tests are under way; try again when one of them has ended")

// begin begins a test of a ring, or returns the one that is under way.
func (c *CableTests) begin(ring *fleet.Ring, who string) (*cableTest, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if t := c.rings[ring.ID]; t != nil && !t.over() {
		return t, nil
	}
	c.forget()
	if len(c.rings) >= maxTests {
		return nil, errTests
	}
	t := newCableTest(ring, who, time.Now(), c.longest)
	select {
	case c.begun <- t:
	default:
		return nil, errTests
	}
	c.rings[ring.ID] = t
	return t, nil
}

// forget makes room where there is none, among the tests that have ended. The caller holds mu.
func (c *CableTests) forget() {
	for id, t := range c.rings {
		if len(c.rings) >= maxTests && t.over() {
			delete(c.rings, id)
		}
	}
}

// of returns the newest test of a ring; nil: there is none. Whoever asks counts as looking.
func (c *CableTests) of(id fleet.RingID) *cableTest {
	if c == nil {
		return nil
	}
	c.mu.Lock()
	t := c.rings[id]
	c.mu.Unlock()
	if t != nil {
		t.look(0)
	}
	return t
}

// A cableTest is one test.
type cableTest struct {
	ring    *fleet.Ring
	who     string
	began   time.Time
	longest time.Duration
	stop    chan struct{} // asks it to end; holds one token

	mu      sync.Mutex // guards all below
	links   []testLink // as the ring's
	into    map[fleet.ControllerID]int
	entries []testEntry // the newest, the oldest first; at most maxEntries
	last    uint64      // number of the newest entry
	changed chan struct{}
	viewers int
	looked  time.Time
	ended   time.Time // zero: it goes on
	why     string    // it ended
}

// maxEntries is how many entries a test remembers; a viewer that is further behind misses the oldest.
const maxEntries = 200

// A testEntry is something that happened on a cable.
type testEntry struct {
	number uint64
	at     time.Time
	link   int
	sound  string // "bad", "silent" or "back"
	n      int    // frames, for "bad"
	text   string // empty: it is heard, and not written down again
}

func newCableTest(ring *fleet.Ring, who string, now time.Time, longest time.Duration) *cableTest {
	t := &cableTest{
		ring: ring, who: who, began: now, longest: longest, looked: now, stop: make(chan struct{}, 1), changed: make(chan struct{}),
		into: map[fleet.ControllerID]int{},
	}
	for i, l := range ring.Links() {
		t.links = append(t.links, testLink{})
		t.into[ring.Controllers[l.To].ID] = i
	}
	return t
}

// run watches the ring until the test is over.
func (t *cableTest) run(ctx context.Context, watch LinkWatch) {
	ctx, cancel := context.WithTimeout(ctx, t.longest)
	defer cancel()
	ids := make([]fleet.ControllerID, 0, len(t.into))
	for id := range t.into {
		ids = append(ids, id)
	}
	var failure error
	watched := make(chan struct{})
	go func() {
		defer close(watched)
		failure = watch(ctx, ids, func(f *fleet.Frame) { t.put(f, time.Now()) })
	}()
	tick := time.NewTicker(testTick)
	defer tick.Stop()
	why := ""
	for why == "" {
		select {
		case <-watched:
			if why = "it could not go on"; failure != nil {
				why = failure.Error()
			} else if ctx.Err() != nil {
				why = "its time was over"
			}
		case <-t.stop:
			why = "it was stopped"
		case <-ctx.Done():
			why = "its time was over"
		case now := <-tick.C:
			if t.alone(now) {
				why = "nobody looked any more"
			}
			t.pass()
		}
	}
	cancel()
	<-watched
	t.end(why)
}

// ask tells the test to end.
func (t *cableTest) ask() {
	select {
	case t.stop <- struct{}{}:
	default: // it was told before
	}
}

func (t *cableTest) over() bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return !t.ended.IsZero()
}

// look notes that somebody looks, and how many viewers came or went.
func (t *cableTest) look(viewers int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.viewers += viewers
	t.looked = time.Now()
}

func (t *cableTest) alone(now time.Time) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.viewers == 0 && now.Sub(t.looked) > testAlone
}

// put takes what a receiver answered.
func (t *cableTest) put(f *fleet.Frame, now time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	i, ok := t.into[f.Controller]
	if !ok {
		return
	}
	for _, e := range t.links[i].put(f, now) {
		t.add(e, i, now)
	}
	t.tell()
}

// pass wakes those who look, since the time that is left has changed.
func (t *cableTest) pass() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.tell()
}

// add files an entry. The caller holds mu.
func (t *cableTest) add(e testEntry, link int, now time.Time) {
	t.last++
	e.number, e.at, e.link = t.last, now, link
	if len(t.entries) == maxEntries {
		t.entries = append(t.entries[:0], t.entries[1:]...)
	}
	t.entries = append(t.entries, e)
}

// tell wakes those who look. The caller holds mu.
func (t *cableTest) tell() {
	close(t.changed)
	t.changed = make(chan struct{})
}

func (t *cableTest) end(why string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.ended, t.why = time.Now(), why
	t.tell()
}
