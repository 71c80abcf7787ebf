package fleet

import (
	"math/big"
	"time"
)

// A key is one key of one mapping of the fleet file. The parser reads by these tables and the schema is made from
// them, so that the two cannot drift apart.
type key struct {
	name     string
	about    string // for people: the schema's description
	need     string // what to do where it is missing; empty: it may be left out
	fallback string // what its absence means, as one would write it; empty: nothing, or it depends
	form     form
}

type keys []key

func (k keys) names() []string {
	names := make([]string, len(k))
	for i := range k {
		names[i] = k[i].name
	}
	return names
}

// form returns the form of a key that the table has; asking for another is a bug of this package.
func (k keys) form(name string) form {
	for i := range k {
		if k[i].name == name {
			return k[i].form
		}
	}
	panic("fleet: no key " + name)
}

// A form is the shape of one value: what the parser accepts and the schema says.
type form interface{ schema() map[string]any }

type (
	versionForm struct{ only int }
	textForm    struct{ example string }
	truthForm   struct{}
	wholeForm   struct{ min, max int64 }
	spanForm    struct{ min, max time.Duration }
	wordForm    struct{ words []string }
	hoursForm   struct{ example string }
	namesForm   struct{ example string }
	listForm    struct{ of keys }
	partForm    struct{ of keys }
	// settingsForm is a mapping whose keys the alerts room knows.
	settingsForm struct{}
	amountForm   struct {
		unit     Unit
		min, max string // as one would write them
		example  string
	}
)

// bounds returns the limits in the base unit.
func (f amountForm) bounds() (low, high *big.Rat) {
	return exactAmount(f.min), exactAmount(f.max)
}

// What the keys of the fleet file mean when they are left out.
const (
	DefaultListen = "127.0.0.1:27464" // 7464 spells RING on a telephone's keys; below the ephemeral ports
	DefaultStore  = "ringwarden.db"
	DefaultCommit = time.Minute
	DefaultUnit   = 255 // Modbus TCP guide V1.0b, 4.4.1.2: for a device that is no gateway
	portPlain     = "502"
	portTLS       = "802"
)

// DefaultPeriods are the poll periods of a fleet file that names none.
var DefaultPeriods = Periods{Fast: 5 * time.Second, Normal: 10 * time.Second, Slow: 5 * time.Minute}

var fileKeys = keys{
	{name: "format", about: "version of this format", need: "write format: 1", form: versionForm{1}},
	{name: "listen", about: "host:port of the daemon's own pages, metrics and API", fallback: DefaultListen, form: textForm{DefaultListen}},
	{name: "plain_http", about: "serve other machines without a certificate: passwords and pages go over the network in clear", fallback: "false", form: truthForm{}},
	{name: "web", about: "path of a web configuration file: the certificate and the users of the daemon's pages", form: textForm{"web.yaml"}},
	{name: "operators", about: "users of the web configuration who may act; the others look", form: namesForm{"maren"}},
	{name: "store", about: "path of the database file", fallback: DefaultStore, form: textForm{DefaultStore}},
	{name: "commit", about: "longest wait before readings are on the disk; a power cut loses at most these", fallback: "1m", form: spanForm{time.Second, 15 * time.Minute}},
	{name: "periods", about: "how often each poll group is read", form: partForm{periodKeys}},
	{name: "keep", about: "how long what is stored is kept, and how large the database may become", form: partForm{keepKeys}},
	{name: "rules", about: "departures from the alarms' defaults; a later rule wins", form: listForm{ruleKeys}},
	{name: "notify", about: "who is told of alarms, and how; nobody if left out", form: partForm{notifyKeys}},
	{name: "sites", about: "the places", need: "list at least one site", form: listForm{siteKeys}},
}

var periodKeys = keys{
	{name: "fast", about: "period of stages, links and faults", fallback: "5s", form: spanForm{100 * time.Millisecond, 10 * time.Minute}},
	{name: "normal", about: "period of measurements; a whole multiple of fast", fallback: "10s", form: spanForm{100 * time.Millisecond, time.Hour}},
	{name: "slow", about: "period of settings and roles; a whole multiple of fast", fallback: "5m", form: spanForm{100 * time.Millisecond, 24 * time.Hour}},
}

const longestDelay = 7 * 24 * time.Hour

var ruleKeys = keys{
	{name: "kind", about: "the kind of alarm", need: "say which alarm the rule is for", form: textForm{"link-down"}},
	{name: "at", about: "the site, ring, controller or link that the rule is for, by its id, as in mill/north", fallback: "everywhere", form: textForm{"mill/north"}},
	{name: "disabled", about: "never raise it", form: truthForm{}},
	{name: "priority", about: "how soon somebody should act", form: wordForm{priorityNames[:]}},
	{name: "on_delay", about: "how long the condition must hold before the alarm is raised", form: spanForm{0, longestDelay}},
	{name: "off_delay", about: "how long the condition must be gone before the alarm returns to normal", form: spanForm{0, longestDelay}},
	{name: "thresholds", about: "numbers that the detector compares with, by name, each with its unit", form: settingsForm{}},
}

const needName = "give it the name that people use"

var siteKeys = keys{
	{name: "name", about: "the name that people use", need: needName, form: textForm{"Fernhollow Mill"}},
	{name: "id", about: "the name that history is kept under; keep it when the name changes", fallback: "the name, as a slug", form: textForm{"fernhollow-mill"}},
	{name: "zone", about: "time zone, by its IANA name", need: "name its time zone, such as Europe/Dublin or UTC, so that a day is its own day", form: textForm{"Europe/Dublin"}},
	{name: "rings", about: "the rings, one for each battery bank", need: "list at least one ring", form: listForm{ringKeys}},
}

var ringKeys = keys{
	{name: "name", about: "the name that people use", need: needName, form: textForm{"North"}},
	{name: "id", about: "the name that history is kept under; keep it when the name changes", fallback: "the name, as a slug", form: textForm{"north"}},
	{name: "open", about: "no cable leads from the last controller back to the first", fallback: "false", form: truthForm{}},
	{name: "hop_time", about: "how long a shared call may take from one controller to the next", form: spanForm{10 * time.Millisecond, 10 * time.Minute}},
	{name: "bank", about: "the battery bank that the controllers share", form: partForm{bankKeys}},
	{name: "controllers", about: "the controllers in ring order: each one's out jack feeds the next one's in jack", need: "list its controllers in ring order", form: listForm{controllerKeys}},
}

var bankKeys = keys{
	{name: "chemistry", about: "kind of battery", form: wordForm{[]string{string(FloodedLead), string(SealedLead), string(Lithium)}}},
	{name: "nominal", about: "nominal voltage", form: amountForm{Volt, "2 V", "1000 V", "48 V"}},
	{name: "cells", about: "cells in series", form: wholeForm{1, 500}},
	{name: "capacity", about: "capacity", form: amountForm{Coulomb, "1 Ah", "1000000 Ah", "400 Ah"}},
	{name: "temperature_slope", about: "change of the charging targets with temperature", form: slopeForm},
}

var slopeForm = amountForm{VoltPerCelsiusCell, "-10 mV/°C/cell", "0 mV/°C/cell", "-4 mV/°C/cell"}

var controllerKeys = keys{
	{name: "name", about: "the name that people use", need: needName, form: textForm{"Alder"}},
	{name: "id", about: "the name that history is kept under; keep it when the name changes", fallback: "the name, as a slug", form: textForm{"alder"}},
	{name: "host", about: "host, or host:port, that answers Modbus TCP; the port is 502, or 802 with tls", need: "say where it answers, such as 192.168.4.11", form: textForm{"192.168.4.11"}},
	{name: "unit", about: "Modbus unit identifier; 1 to 247 behind a gateway", fallback: "255", form: wholeForm{0, 255}},
	{name: "map", about: "path of its register map", need: "name the register map of its model", form: textForm{"larkspur.yaml"}},
	{name: "source", about: "what feeds it", need: "say what feeds it: pv, wind, hydro or other", form: wordForm{[]string{string(PV), string(Wind), string(Hydro), string(Other)}}},
	{name: "rated", about: "rated power of the source", form: amountForm{Watt, "1 W", "10000 kW", "2.4 kW"}},
	{name: "own_brake", about: "the turbine has a brake or diversion load of its own that acts without this controller", fallback: "false", form: truthForm{}},
	{name: "tls", about: "Modbus/TCP Security: paths of PEM files", form: partForm{tlsKeys}},
	{name: "ring_address", about: "intended address in the ring", form: wholeForm{0, 65535}},
	{name: "temperature_reference", about: "it has the battery temperature sensor", fallback: "false", form: truthForm{}},
	{name: "fault_detector", about: "it has the ground-fault detector", fallback: "false", form: truthForm{}},
	{name: "on_shared_fault", about: "what it is set to do when another controller shares a ground-fault trip; trip if left out, stay for wind and hydro", form: wordForm{[]string{string(Trip), string(Stay)}}},
	{name: "setpoints", about: "intended charging targets at 25 °C", form: partForm{setpointKeys}},
}

var tlsKeys = keys{
	{name: "ca", about: "certificate that signs the device's", need: "Modbus/TCP Security needs ca, certificate and key", form: textForm{"tls/ca.pem"}},
	{name: "certificate", about: "this program's own certificate", need: "Modbus/TCP Security needs ca, certificate and key", form: textForm{"tls/ringwarden.pem"}},
	{name: "key", about: "this program's own key, in a file that nobody else can read", need: "Modbus/TCP Security needs ca, certificate and key", form: textForm{"tls/ringwarden.key"}},
}

var setpointKeys = keys{
	{name: "absorption", about: "absorption target", form: amountForm{Volt, "2 V", "1500 V", "57.6 V"}},
	{name: "float", about: "float target", form: amountForm{Volt, "2 V", "1500 V", "54 V"}},
	{name: "equalize", about: "equalize target", form: amountForm{Volt, "2 V", "1500 V", "61.2 V"}},
	{name: "temperature_slope", about: "change of the targets with temperature", form: slopeForm},
}
