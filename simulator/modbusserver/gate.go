package modbusserver

import "sync"

// A Gate shuts and opens all servers that have it in their [Config], as one network serves all devices of a site.
// The zero value is open. Its methods may be called from several goroutines.
//
// The servers keep their ports while the gate is shut: a new connection is accepted by the operating system and then
// reset before it carries a byte, and those that were open are reset. (A network that swallows everything is
// [Spoil.Silent] for each request.)
type Gate struct {
	mu      sync.Mutex
	shut    bool
	servers map[*server]struct{}
}

// Shut resets every connection and lets none in until [Gate.Open].
func (g *Gate) Shut() { g.set(true) }

// Open lets connections in again.
func (g *Gate) Open() { g.set(false) }

func (g *Gate) set(shut bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.shut = shut
	for s := range g.servers {
		s.shut(shut)
	}
}

func (g *Gate) join(s *server) {
	if g == nil {
		return
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.servers == nil {
		g.servers = map[*server]struct{}{}
	}
	g.servers[s] = struct{}{}
	s.shut(g.shut)
}

func (g *Gate) leave(s *server) {
	if g == nil {
		return
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	delete(g.servers, s)
}
