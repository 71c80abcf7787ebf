// Package fleet holds what is installed and the words that everybody uses: sites, rings, controllers and links, their
// intended settings, and the types that travel the one road of data: [Quantity], [Stage], [Point], [Frame] and [Alarm].
//
// It reads the fleet file ([Parse], [Load]); FORMAT.md beside this file specifies that format. It imports no other
// room, reads no clock and touches no network.
package fleet

import (
	"strings"
	"time"
)

// A SiteID names a place, as in "mill". It is a slug: lower-case letters, digits and single hyphens.
type SiteID string

// A RingID names a ring by its site and its own slug, as in "mill/north".
type RingID string

// A ControllerID names a controller by its ring and its own slug, as in "mill/north/alder".
type ControllerID string

// A LinkID names the cable from one controller's out jack to the next one's in jack by its ring and both ends'
// slugs, sender first, as in "mill/north/alder>birch".
type LinkID string

// Site returns the site of the ring.
func (id RingID) Site() SiteID { s, _, _ := strings.Cut(string(id), "/"); return SiteID(s) }

// Ring returns the ring of the controller.
func (id ControllerID) Ring() RingID {
	return RingID(id[:max(0, strings.LastIndexByte(string(id), '/'))])
}

// Site returns the site of the controller.
func (id ControllerID) Site() SiteID { return id.Ring().Site() }

// Slug returns the last part, which is unique within the ring.
func (id ControllerID) Slug() string { return string(id[strings.LastIndexByte(string(id), '/')+1:]) }

// Ring returns the ring of the link.
func (id LinkID) Ring() RingID { return RingID(id[:max(0, strings.LastIndexByte(string(id), '/'))]) }

// Ends returns the slugs of the sender and the receiver.
func (id LinkID) Ends() (from, to string) {
	from, to, _ = strings.Cut(string(id[strings.LastIndexByte(string(id), '/')+1:]), ">")
	return from, to
}

// A Fleet is everything that one daemon watches.
type Fleet struct {
	File      string // the file it was read from; empty if it was made in memory
	Listen    string // host:port of the daemon's own HTTP server
	PlainHTTP bool   // passwords and pages may go to other machines without TLS
	// Web is the path of a web configuration file with the certificate and the users of the daemon's pages; empty: nobody
	// has to log in.
	Web       string
	Operators []string      // those of its users who may act; the others look
	Store     string        // path of the database file, already relative to the fleet file's folder or absolute
	Commit    time.Duration // longest wait before readings are committed to disk; alarms commit at once
	Periods   Periods
	Keep      Keep
	Rules     Rules
	Notify    Notify
	Sites     []Site
}

// Periods say how often each poll group is read.
type Periods struct {
	Fast, Normal, Slow time.Duration
}

// Of returns the period of a poll group.
func (p Periods) Of(g Group) time.Duration {
	switch g {
	case Fast:
		return p.Fast
	case Slow:
		return p.Slow
	}
	return p.Normal
}

// A Site is a place with its own clock on the wall.
type Site struct {
	ID    SiteID
	Name  string         // as people write it; any text
	Zone  *time.Location // never nil; "today" is a day of this zone
	Rings []Ring
}

// A Ring is a closed chain of controllers on one battery bank, or a line of them where Open is set.
type Ring struct {
	ID          RingID
	Name        string
	Open        bool          // no cable from the last controller back to the first
	HopTime     time.Duration // time that one hop of a shared call may take; 0: the program's default
	Bank        Bank
	Controllers []Controller // in ring order: each one's out jack feeds the next one's in jack
}

// A Bank is the battery bank that a ring's controllers share.
type Bank struct {
	Chemistry Chemistry
	Nominal   float64 // volts; 0: unknown
	Cells     int     // cells in series, 2 V each if lead-acid; 0: unknown
	Capacity  float64 // coulombs (1 Ah = 3600 C); 0: unknown
	// TemperatureSlope is the change of the charging setpoints in volts per degree Celsius and cell; negative for
	// lead-acid, 0: none or unknown.
	TemperatureSlope float64
}

// Chemistry is the kind of battery.
type Chemistry string

// The kinds of battery that the fleet file knows.
const (
	ChemistryUnknown Chemistry = ""
	FloodedLead      Chemistry = "flooded-lead"
	SealedLead       Chemistry = "sealed-lead"
	Lithium          Chemistry = "lithium"
)

// A Controller is one charge controller: where it answers and how it is meant to be set.
type Controller struct {
	ID       ControllerID
	Name     string
	Host     string // host:port; several controllers may share one, as units behind a gateway
	Unit     uint8  // Modbus unit identifier
	TLS      *TLS   // nil: plain Modbus TCP
	Map      string // path of its register map
	Source   Source
	Rated    float64 // watts of the source; 0: unknown
	OwnBrake bool    // its turbine has a brake or diversion load that acts without the controller
	Intended Settings
}

// TLS is what Modbus/TCP Security needs: paths of PEM files.
type TLS struct {
	CA          string // certificate that signs the device's
	Certificate string // the client's own
	Key         string // the client's own
}

// Source is what turns into electricity at a controller's input.
type Source string

// The sources that the fleet file knows.
const (
	PV    Source = "pv"
	Wind  Source = "wind"
	Hydro Source = "hydro"
	Other Source = "other"
)

// Turns reports whether the source is a machine that must not lose its load while it spins.
func (s Source) Turns() bool { return s == Wind || s == Hydro }

// Settings are how a controller is meant to be set. A nil pointer means that the fleet file does not say.
type Settings struct {
	RingAddress          *int
	TemperatureReference bool          // it has the battery temperature sensor
	FaultDetector        bool          // it has the ground-fault detector
	OnSharedFault        OnSharedFault // from a fleet file never empty: if it does not say, Stay for what turns, else Trip
	Setpoints            Setpoints
}

// OnSharedFault is what a controller does when another one shares a ground-fault trip.
type OnSharedFault string

// A controller takes part in shared trips or stays on.
const (
	Trip OnSharedFault = "trip" // it stops
	Stay OnSharedFault = "stay" // it stays on, since its turbine must never be unloaded
)

// Setpoints are charging targets at 25 degrees Celsius. A nil pointer means that the fleet file does not say.
type Setpoints struct {
	Absorption, Float, Equalize *float64 // volts
	TemperatureSlope            *float64 // volts per degree Celsius and cell
}

// A Link is the cable from one controller's out jack to the next one's in jack.
type Link struct {
	ID       LinkID
	From, To int // indexes into the ring's controllers
}

// Links returns the ring's cables: link i leads from controller i to the next; the last one closes the ring unless
// it is open. A ring of one controller has none.
func (r *Ring) Links() []Link {
	n := len(r.Controllers)
	if n < 2 {
		return nil
	}
	count := n
	if r.Open {
		count--
	}
	links := make([]Link, count)
	for i := range links {
		to := (i + 1) % n
		links[i] = Link{
			ID:   LinkID(string(r.ID) + "/" + r.Controllers[i].ID.Slug() + ">" + r.Controllers[to].ID.Slug()),
			From: i, To: to,
		}
	}
	return links
}

// All calls yield for every controller with its site and ring, in the order of the file, until yield returns false.
func (f *Fleet) All(yield func(*Site, *Ring, *Controller) bool) {
	for s := range f.Sites {
		site := &f.Sites[s]
		for r := range site.Rings {
			ring := &site.Rings[r]
			for c := range ring.Controllers {
				if !yield(site, ring, &ring.Controllers[c]) {
					return
				}
			}
		}
	}
}
