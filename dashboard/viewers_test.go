package dashboard_test

import (
	"context"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ringwarden/dashboard"
)

// A recorder is a viewer's end that takes everything.
type recorder struct {
	header http.Header
	mu     sync.Mutex
	text   strings.Builder
}

func (r *recorder) Header() http.Header              { return r.header }
func (r *recorder) WriteHeader(int)                  {}
func (r *recorder) FlushError() error                { return nil }
func (r *recorder) SetWriteDeadline(time.Time) error { return nil }

func (r *recorder) Write(b []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.text.Write(b)
}

// events returns the events with data so far.
func (r *recorder) events() (all []string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for event := range strings.SplitSeq(r.text.String(), "\n\n") {
		if strings.Contains(event, "data: ") {
			all = append(all, event)
		}
	}
	return all
}

// id returns the id of an event.
func id(t *testing.T, event string) string {
	t.Helper()
	line, _, _ := strings.Cut(event, "\n")
	number, ok := strings.CutPrefix(line, "id: ")
	if !ok {
		t.Fatalf("the event has no id: %.60s", event)
	}
	return number
}

// watch looks at a page until the returned function is called; last is the id of the event that was seen last.
func watch(h http.Handler, page, last string) (*recorder, func()) {
	ctx, cancel := context.WithCancel(context.Background())
	w := &recorder{header: http.Header{}}
	r := httptest.NewRequest(http.MethodGet, "http://localhost/live?page="+page, nil).WithContext(ctx)
	if last != "" {
		r.Header.Set("Last-Event-ID", last)
	}
	var done sync.WaitGroup
	done.Go(func() { h.ServeHTTP(w, r) })
	return w, func() { cancel(); done.Wait() }
}

// Whoever looks at a page of a site sees what its controllers say, on every page that shows them, though somebody beside
// them has stopped reading.
func TestStuckViewerCostsOthersNothing(t *testing.T) {
	w := newWorld(t, twoSites)
	w.run(10 * time.Minute)
	synctest.Test(t, func(t *testing.T) {
		h := dashboard.New(w.options())
		pages := []string{millPage, "/controllers/" + barnRoof, "/cables/fernhollow-mill/wheelhouse", "/"}
		var good []*recorder
		var stuck sync.WaitGroup
		for _, page := range pages {
			viewer, leave := watch(h, page, "")
			defer leave()
			good = append(good, viewer)
			stuck.Go(func() {
				h.ServeHTTP(&stuckWriter{header: http.Header{}}, httptest.NewRequest(http.MethodGet, "http://localhost/live?page="+page, nil))
			})
		}
		time.Sleep(time.Second)
		w.run(10 * time.Minute)
		time.Sleep(time.Second) // two steps, while the others are stuck for ten seconds
		for i, viewer := range good {
			if len(viewer.events()) == 0 {
				t.Errorf("the viewer of %s was told nothing", pages[i])
			}
		}
		stuck.Wait()
	})
}

// Whoever comes back after a while gets what changed meanwhile, all of it; who has missed nothing gets nothing.
func TestViewerThatComesBackCatchesUp(t *testing.T) {
	w := newWorld(t, nil)
	w.run(10 * time.Minute)
	synctest.Test(t, func(t *testing.T) {
		h := dashboard.New(w.options())
		steady, leave := watch(h, millPage, "")
		defer leave()
		time.Sleep(time.Second)
		w.run(time.Minute)
		time.Sleep(time.Second)
		first := steady.events()
		if len(first) != 1 {
			t.Fatalf("%d events, want one", len(first))
		}
		w.run(time.Minute)
		time.Sleep(time.Second)
		newest := steady.events()[1]
		for last, want := range map[string]int{id(t, first[0]): 1, id(t, newest): 0, "1": 1, "rubbish": 0} {
			back, leave := watch(h, millPage, last)
			time.Sleep(time.Second)
			leave()
			got := back.events()
			if len(got) != want {
				t.Errorf("a viewer with %s got %d events, want %d", last, len(got), want)
			}
			if len(got) > 0 && id(t, got[0]) != id(t, newest) {
				t.Errorf("a viewer with %s was told of edition %s, want %s", last, id(t, got[0]), id(t, newest))
			}
			if last == "1" && (!strings.Contains(got[0], `"first":`) || !strings.Contains(got[0], `"day":`)) {
				t.Errorf("a viewer who has missed much got only a part: %.100s", got[0])
			}
		}
	})
}
