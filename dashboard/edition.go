package dashboard

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"sync"
	"time"
)

// An edition is the newest state of a page that is looked at, with the events that lead to it.
type edition struct {
	readers int // guarded by the mutex of editions

	mu      sync.Mutex // guards all below
	number  uint64     // grows whenever a part changes; never used twice, so that whoever comes back is not mistaken
	before  uint64     // number of the edition before it
	version uint64     // of what it was made from; see [Live.version]
	at      time.Time  // when it was made
	html    map[string]string
	change  []byte // the event that makes it of the edition before; read by many, changed by nobody
	whole   []byte // the event that makes it of any; nil until somebody wants it
}

// editions are those of all pages that somebody looks at.
type editions struct {
	mu   sync.Mutex
	of   map[string]*edition
	last uint64 // number that was given
}

// open returns the edition of a page, to be closed by the same key.
func (all *editions) open(key string) *edition {
	all.mu.Lock()
	defer all.mu.Unlock()
	e := all.of[key]
	if e == nil {
		e = &edition{}
		all.of[key] = e
	}
	e.readers++
	return e
}

func (all *editions) close(key string) {
	all.mu.Lock()
	defer all.mu.Unlock()
	if e := all.of[key]; e != nil {
		if e.readers--; e.readers == 0 {
			delete(all.of, key)
		}
	}
}

// take returns a number that is larger than every one before, also than those before the daemon's last start.
func (all *editions) take() uint64 {
	all.mu.Lock()
	defer all.mu.Unlock()
	all.last = max(all.last+1, uint64(time.Now().UnixMicro()))
	return all.last
}

// next returns the event that a viewer needs who saw an edition, and the number of the one that it shows then; no event
// if there is nothing new. It makes the page anew if it is older than what is known, and than a step.
func (e *edition) next(s *server, r *http.Request, page *url.URL, seen uint64) (event []byte, number uint64, err error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	now, version := time.Now(), s.Live.version(page.Path)
	age := now.Sub(e.at)
	if e.html == nil || age >= quietTime || e.version != version && age >= liveStep*9/10 {
		html, err := s.makeParts(r, page)
		if err != nil {
			return nil, 0, err
		}
		e.turn(html, s.editions.take)
		e.version, e.at = version, now
	}
	switch seen {
	case e.number:
		return nil, e.number, nil
	case e.before:
		return e.change, e.number, nil
	}
	if e.whole == nil {
		e.whole = eventOf(e.number, e.html)
	}
	return e.whole, e.number, nil
}

// turn makes another edition of the parts, if any of them is another one. The caller holds mu.
func (e *edition) turn(html map[string]string, number func() uint64) {
	changed := map[string]string{}
	for id, part := range html {
		if e.html[id] != part {
			changed[id] = part
		}
	}
	e.html = html
	if len(changed) == 0 {
		return
	}
	e.before, e.number = e.number, number()
	e.change, e.whole = eventOf(e.number, changed), nil
}

// eventOf writes parts down as an event of WHATWG HTML, section 9.2.
func eventOf(number uint64, parts map[string]string) []byte {
	data, err := json.Marshal(parts)
	if err != nil { // texts can always be written
		data = []byte("{}")
	}
	return fmt.Appendf(nil, "id: %d\ndata: %s\n\n", number, data)
}
