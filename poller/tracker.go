package poller

import "sync"

// A tracker counts goroutines and says when none is left. Unlike a [sync.WaitGroup] it can be waited for with a limit
// and without another goroutine. The zero value is ready.
type tracker struct {
	mu   sync.Mutex
	n    int
	none chan struct{} // closed when n is 0 again; nil while nobody asks
}

// start runs f in a goroutine.
func (t *tracker) start(f func()) {
	t.mu.Lock()
	t.n++
	t.mu.Unlock()
	go func() {
		defer t.end()
		f()
	}()
}

func (t *tracker) end() {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.n--; t.n == 0 && t.none != nil {
		close(t.none)
		t.none = nil
	}
}

// ended returns a channel that is closed when no goroutine is left.
func (t *tracker) ended() <-chan struct{} {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.n == 0 {
		none := make(chan struct{})
		close(none)
		return none
	}
	if t.none == nil {
		t.none = make(chan struct{})
	}
	return t.none
}
