package fleet

import (
	"net"
	"net/netip"
	"regexp"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"
)

// A unit is a controller with the section it was read from, for checks that look at several.
type unit struct {
	Controller
	s         *section
	setpoints *section // nil: none in the file
	unitGiven bool
}

func (p *parser) controllers(ring *section, id RingID) []*unit {
	known := newIDs("controller")
	var units []*unit
	for _, n := range ring.list("controllers") {
		if u, ok := p.controller(n, id, known); ok {
			units = append(units, u)
		}
	}
	p.units = append(p.units, units...)
	return units
}

func (p *parser) controller(n *yaml.Node, ring RingID, known *ids) (*unit, bool) {
	s, ok := open(p.doc, n, titled("controller", n), controllerKeys)
	if !ok {
		return nil, false
	}
	u := &unit{s: s}
	name, id, ok := s.identity()
	if !ok || !known.take(s, id) {
		p.nameless = true
	}
	u.Name, u.ID = name, ControllerID(string(ring)+"/"+id)
	source, _ := s.word("source")
	u.Source = Source(source)
	u.Rated, _ = s.amount("rated")
	u.OwnBrake = s.truth("own_brake")
	u.TLS = p.tls(s)
	u.Host = s.host()
	u.Unit = DefaultUnit
	if v, ok := s.whole("unit"); ok {
		u.Unit, u.unitGiven = uint8(v), true
	}
	if path, ok := s.path("map"); ok {
		u.Map = p.resolve(path)
		p.paths[s.at("map")] = u.Map
	}
	u.Intended = s.intended(u.Source)
	if t, ok := s.part("setpoints", "setpoints"); ok {
		u.setpoints, u.Intended.Setpoints = t, t.targets()
	}
	checkTurbine(u)
	return u, true
}

func (p *parser) tls(controller *section) *TLS {
	s, ok := controller.part("tls", "tls")
	if !ok {
		return nil
	}
	var t TLS
	for name, to := range map[string]*string{"ca": &t.CA, "certificate": &t.Certificate, "key": &t.Key} {
		if path, ok := s.path(name); ok {
			*to = p.resolve(path)
			p.paths[s.at(name)] = *to
		}
	}
	return &t
}

func (s *section) intended(source Source) Settings {
	v := Settings{OnSharedFault: Trip}
	if source.Turns() {
		v.OnSharedFault = Stay
	}
	if word, ok := s.word("on_shared_fault"); ok {
		v.OnSharedFault = OnSharedFault(word)
	}
	if a, ok := s.whole("ring_address"); ok {
		v.RingAddress = &a
	}
	v.TemperatureReference = s.truth("temperature_reference")
	v.FaultDetector = s.truth("fault_detector")
	return v
}

func (s *section) targets() Setpoints {
	return Setpoints{
		Absorption: s.optional("absorption"), Float: s.optional("float"), Equalize: s.optional("equalize"),
		TemperatureSlope: s.optional("temperature_slope"),
	}
}

func (s *section) optional(name string) *float64 {
	if v, ok := s.amount(name); ok {
		return &v
	}
	return nil
}

// host reads where a controller answers and adds the port that Modbus has by default.
func (s *section) host() string {
	text, ok := s.text("host")
	if !ok {
		return ""
	}
	host := strings.ToLower(text)
	if port := portPlain; !strings.Contains(host, "://") {
		if s.m.Has("tls") {
			port = portTLS
		}
		if addr, err := netip.ParseAddr(strings.Trim(host, "[]")); err == nil {
			host = net.JoinHostPort(addr.String(), port)
		} else if !strings.Contains(host, ":") {
			host = net.JoinHostPort(host, port)
		}
	}
	if fault := checkHostPort(host, false); fault != "" {
		s.doc.Faultf(s.at("host"), "host %s %s; write a name or an address, with :port if it is not the usual one, such as 192.168.4.11 or 192.168.4.11:1502", quoted(text), fault)
		return ""
	}
	return host
}

var hostName = regexp.MustCompile(`^([A-Za-z0-9_]([A-Za-z0-9_-]{0,61}[A-Za-z0-9_])?\.)*[A-Za-z0-9_]([A-Za-z0-9_-]{0,61}[A-Za-z0-9_])?\.?$`)

// checkHostPort says what is wrong with host:port, or "". To listen, the host may be empty or unspecified, which
// means every address, and the port may be 0, which means any free one.
func checkHostPort(s string, listen bool) string {
	if strings.Contains(s, "://") {
		return "is a URL"
	}
	host, port, err := net.SplitHostPort(s)
	if err != nil {
		return "is not host:port"
	}
	least := 1
	if listen {
		least = 0
	}
	if n, err := strconv.Atoi(port); err != nil || n < least || n > 65535 {
		return "has the port " + quoted(port) + ", which is not a number up to 65535"
	}
	if listen && host == "" {
		return ""
	}
	addr, err := netip.ParseAddr(host)
	switch {
	case host == "":
		return "names no host"
	case err == nil && addr.IsUnspecified() && !listen:
		return "is the address of no machine"
	case err == nil:
		return ""
	case strings.Trim(host, "0123456789.") == "":
		return "looks like an address and is none"
	case len(host) > 253 || !hostName.MatchString(host):
		return "has no proper host name"
	}
	return ""
}

// LoopbackOnly reports whether only this machine can reach what listens on host:port. A name other than localhost
// could be anything, and counts as reachable.
func LoopbackOnly(listen string) bool {
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return false
	}
	addr, err := netip.ParseAddr(host)
	return strings.EqualFold(host, "localhost") || err == nil && addr.Unmap().IsLoopback()
}
