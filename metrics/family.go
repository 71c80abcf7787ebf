package metrics

import (
	"strings"

	"github.com/prometheus/client_golang/prometheus"

	"ringwarden/fleet"
)

const namespace = "ringwarden_"

// A family is all series of one name.
type family struct {
	name    string
	help    string
	labels  []string
	counter bool
	desc    *prometheus.Desc
}

// families lists every family that this package makes itself, in the order of METRICS.md.
var families []*family

func newFamily(name, help string, counter bool, labels ...string) *family {
	if counter {
		name += "_total"
	}
	f := &family{name: namespace + name, help: help, labels: labels, counter: counter}
	f.desc = prometheus.NewDesc(f.name, f.help, labels, nil)
	families = append(families, f)
	return f
}

func gauge(name, help string, labels ...string) *family {
	return newFamily(name, help, false, labels...)
}

func counter(name, help string, labels ...string) *family {
	return newFamily(name, help, true, labels...)
}

// unitNames are the suffixes of base units, as the Prometheus and OpenMetrics conventions write them.
var unitNames = map[fleet.Unit]string{
	fleet.Plain: "", fleet.Volt: "_volts", fleet.Ampere: "_amperes", fleet.Watt: "_watts", fleet.Joule: "_joules",
	fleet.Coulomb: "_coulombs", fleet.Second: "_seconds", fleet.Celsius: "_celsius",
	fleet.VoltPerCelsiusCell: "_volts_per_celsius_cell", fleet.Ratio: "_ratio", fleet.Hertz: "_hertz", fleet.Ohm: "_ohms",
}

// quantityNames are those that do not follow from the quantity's own name and unit.
var quantityNames = map[fleet.Quantity]string{
	fleet.LinkGood: "link_good_frames", fleet.LinkBad: "link_bad_frames",
	fleet.Faults: "fault", fleet.Firmware: "firmware_info",
}

// quantityFamilies has the family of each quantity; none for QuantityNone.
var quantityFamilies = func() []*family {
	all := []*family{nil}
	for _, q := range fleet.AllQuantities() {
		name, special := quantityNames[q]
		if !special {
			name = strings.ReplaceAll(q.String(), ".", "_") + unitNames[q.Unit()]
		}
		labels := []string{"site", "ring", "controller"}
		if strings.HasPrefix(q.String(), "link.") {
			labels = append(labels, "link")
		}
		help := strings.ToUpper(q.About()[:1]) + q.About()[1:]
		switch q.Shape() {
		case fleet.ShapeStage:
			labels, help = append(labels, "stage"), help+": 1 for the stage it is in, 0 for the others."
		case fleet.ShapeFlags:
			labels, help = append(labels, "fault"), help+", one series for each fault that its map names: 1 while it stands."
		case fleet.ShapeTruth:
			help += ": 1 yes, 0 no."
		case fleet.ShapeText:
			labels, help = append(labels, "version"), help+"; always 1."
		default:
			help += "."
		}
		all = append(all, newFamily(name, help, q.Counter(), labels...))
	}
	return all
}()

// linked reports whether a family tells of the cable that feeds the controller.
func (f *family) linked() bool { return len(f.labels) > 3 && f.labels[3] == "link" }

type unitKind struct {
	unit    fleet.Unit
	counter bool
}

// pointFamilies has the families of points without a quantity: one name for each unit, since the series of one name
// must share their unit to be added up or drawn together.
var pointFamilies = func() map[unitKind]*family {
	all := map[unitKind]*family{}
	for _, u := range []fleet.Unit{
		fleet.Plain, fleet.Volt, fleet.Ampere, fleet.Watt, fleet.Joule, fleet.Coulomb, fleet.Second, fleet.Celsius,
		fleet.VoltPerCelsiusCell, fleet.Ratio, fleet.Hertz, fleet.Ohm,
	} {
		of := ""
		if name := strings.ReplaceAll(unitNames[u], "_", " "); name != "" {
			of = " in" + name
		}
		all[unitKind{u, false}] = gauge("point"+unitNames[u],
			"Readings"+of+" of map points without a quantity.", "site", "ring", "controller", "point")
		all[unitKind{u, true}] = counter("point"+unitNames[u],
			"Counters"+of+" of map points without a quantity.", "site", "ring", "controller", "point")
	}
	return all
}()

// The families beside readings.
var (
	pointState = gauge("point_state",
		"Named values of map points without a quantity: 1 for the one it has, 0 for the others.",
		"site", "ring", "controller", "point", "state")
	pointFlag = gauge("point_flag", "Flags of map points without a quantity: 1 while set.",
		"site", "ring", "controller", "point", "flag")
	pointInfo = gauge("point_info", "Texts of map points without a quantity; always 1.",
		"site", "ring", "controller", "point", "text")

	controllerUp = gauge("controller_up", "Whether the controller's newest poll was answered with data; absent before the first.",
		"site", "ring", "controller")
	controllerInfo = gauge("controller_info", "What the fleet file says of a controller; always 1.",
		"site", "ring", "controller", "name", "source")
	controllerRated = gauge("controller_rated_watts", "Rated power of the controller's source; absent if unknown.",
		"site", "ring", "controller")
	siteInfo = gauge("site_info", "What the fleet file says of a site; always 1.", "site", "name", "zone")

	polls      = counter("polls", "Polls by what became of them.", "site", "ring", "controller", "outcome")
	unreadable = gauge("unreadable_points", "Points of the map that the controller refuses to give.",
		"site", "ring", "controller")
	values  = counter("values", "Values of answered polls by whether they may be believed.", "site", "quality")
	period  = gauge("poll_period_seconds", "How often a poll group is read.", "group")
	ignored = counter("frames_ignored", "Frames that were not taken: of no controller of the fleet, or older than what was there.",
		"reason")

	alarmState = gauge("alarm", "Alarms that are not normal: 1 for the state one is in, 0 for the others.",
		"site", "ring", "controller", "link", "kind", "priority", "state")
	alarmRaised  = counter("alarms_raised", "Alarms that were raised, by priority: the rate that operators are measured by.", "priority")
	alarmStale   = gauge("alarms_stale", "Alarms that have been annunciated for more than a day without a break.")
	alarmChanges = counter("alarm_changes", "Steps in the life of alarms, by the state that was entered.", "kind", "state")

	alarmsPerHour    = gauge("alarms_per_hour", "Alarms that were raised in an hour, on the average of the last 30 days: about 6, at most 12 (ISA-18.2-2016, 16.4.2).")
	alarmsMostIn10   = gauge("alarms_busiest_slot", "Alarms in the busiest ten minutes of the last 30 days: at most 10 (16.4.3).")
	alarmsFloods     = gauge("alarms_floods", "Floods of alarms in the last 30 days: more than 10 in ten minutes, until fewer than 5 (16.4.4).")
	alarmsFloodTime  = gauge("alarms_flood_seconds", "Time in a flood of alarms in the last 30 days.")
	alarmsFloodShare = gauge("alarms_flood_ratio", "Share of the last 30 days in a flood of alarms: less than 0.01 (16.4.4).")
	alarmsTopTen     = gauge("alarms_top_ten_ratio", "Share of the ten most frequent alarms in all of the last 30 days: at most 0.05 (16.4.5).")
	alarmsChattering = gauge("alarms_chattering", "Alarms that came and went again and again in the last 30 days: none (16.4.6).")
	alarmsFleeting   = gauge("alarms_fleeting", "Alarms that went by themselves within 30 s in the last 30 days: none (16.4.6).")
	alarmsByPriority = gauge("alarms_priority_ratio", "Shares of the priorities in the alarms of the last 30 days: 0.8 low, 0.15 medium, 0.05 high (16.4.8).", "priority")
	disbelieved      = counter("disbelieved", "Frames and values that the alarms are not judged by, by what is odd about them; of clock-backwards, instants.", "reason")
	secondLooks      = counter("second_looks", "Polls beside the ordinary ones that were asked for because a sampled link flag was bad: about as large a share of a group's polls as is bad by chance, and ten at most in a row.")

	storeCommits = counter("store_commits", "Commits to the store.")
	storeSeconds = counter("store_commit_seconds", "Time spent in commits to the store.")
	storeLast    = gauge("store_last_commit_timestamp_seconds", "When the last commit to the store ended; absent before the first.")
	storeWaiting = gauge("store_buffered_frames", "Frames that wait for the next commit.")
	storeDropped = counter("store_dropped_frames", "Frames that were lost because the store could not take them.")
	storeBytes   = gauge("store_file_bytes", "Size of the store's file.")

	notifySent    = counter("notify_messages", "Messages about alarms that the other side took.", "sink")
	notifyFailed  = counter("notify_failed_tries", "Tries to send a message about alarms that failed.", "sink")
	notifyGivenUp = counter("notify_given_up_messages", "Messages about alarms that were given up.", "sink")
	notifyWaiting = gauge("notify_waiting_messages", "Messages about alarms that wait to be sent, held back or tried again.", "sink")
)
