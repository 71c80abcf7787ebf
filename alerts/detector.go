package alerts

import (
	"slices"
	"time"

	"ringwarden/fleet"
)

// A detector knows one kind of alarm: what it is called, how it is set, when it is on and what to say then.
type detector struct {
	info fleet.KindInfo
	// judge says what is known of a watch's subject at an instant. It must not allocate.
	judge func(w asked, now time.Time) finding
	// tell returns the sentences. It is called after judge said Yes to the same: when an alarm is raised or suppressed, and now
	// and then while it goes on.
	tell func(w asked, now time.Time) words
	// slow: judge is asked every half minute only, since what it is about moves slowly.
	slow bool
	// adopt prepares the subject for an alarm that stood before a restart; nil: nothing to prepare.
	adopt func(w *watch)
}

// An asked watch is one whose subject is prepared for the instant that the detector is asked about: the ring's middle
// values, calls and trip are those of this Advance. [Engine.judge] alone makes one, and it does not outlive the answer;
// what has a watch alone, as a person's wish between two calls of Advance has, cannot ask a detector anything.
type asked struct{ *watch }

// A finding is a detector's answer.
type finding struct {
	verdict Verdict
	because *watch    // the alarm that explains the condition; nil: nothing does
	since   time.Time // when the condition began; zero: now, as far as is known
}

var (
	unknown = finding{verdict: Unknown}
	no      = finding{verdict: No}
)

// kindIndex is the place of a kind in the table of detectors.
type kindIndex uint8

const (
	siteSilent kindIndex = iota
	controllerSilent
	faultTrip
	tripNotShared
	turbineUnloaded
	linkDown
	linkNoisy
	stageSplit
	temperatureReferences
	temperatureDefault
	temperatureStuck
	temperatureSplit
	storeBehind
	storeDamaged
	registersFrozen
	mapMismatch
	clockStepped
	ringAddressClash
	settingsDiffer
	bankVoltage
	bankTemperature
	leadResistance
	bankVoltageSplit
	noFullCharge
	equalizeOverdue
	equalizeOverlong
	absorptionEndless
	absorptionBrief
	yieldBehind
	alarmFlood
	alarmChattering
	kindCount
)

// detectors is filled by a function: the detectors use watches, which know their detectors.
var detectors = func() [kindCount]*detector {
	return [kindCount]*detector{
		siteSilent:            siteSilentDetector(),
		controllerSilent:      controllerSilentDetector(),
		faultTrip:             faultTripDetector(),
		tripNotShared:         tripNotSharedDetector(),
		turbineUnloaded:       turbineUnloadedDetector(),
		linkDown:              linkDownDetector(),
		linkNoisy:             linkNoisyDetector(),
		stageSplit:            stageSplitDetector(),
		temperatureReferences: temperatureReferencesDetector(),
		temperatureDefault:    temperatureDefaultDetector(),
		temperatureStuck:      temperatureStuckDetector(),
		temperatureSplit:      temperatureSplitDetector(),
		storeBehind:           storeBehindDetector(),
		storeDamaged:          storeDamagedDetector(),
		registersFrozen:       registersFrozenDetector(),
		mapMismatch:           mapMismatchDetector(),
		clockStepped:          clockSteppedDetector(),
		ringAddressClash:      ringAddressClashDetector(),
		settingsDiffer:        settingsDifferDetector(),
		bankVoltage:           bankVoltageDetector(),
		bankTemperature:       bankTemperatureDetector(),
		leadResistance:        leadResistanceDetector(),
		bankVoltageSplit:      bankVoltageSplitDetector(),
		noFullCharge:          noFullChargeDetector(),
		equalizeOverdue:       equalizeOverdueDetector(),
		equalizeOverlong:      equalizeOverlongDetector(),
		absorptionEndless:     absorptionEndlessDetector(),
		absorptionBrief:       absorptionBriefDetector(),
		yieldBehind:           yieldBehindDetector(),
		alarmFlood:            alarmFloodDetector(),
		alarmChattering:       alarmChatteringDetector(),
	}
}()

// Kinds returns the kinds of alarm that this room knows, with their defaults, for whoever reads rules. The caller may
// keep and change what it gets.
func Kinds() []fleet.KindInfo {
	kinds := make([]fleet.KindInfo, kindCount)
	for i, d := range detectors {
		kinds[i] = d.info
		kinds[i].Thresholds = slices.Clone(d.info.Thresholds)
	}
	return kinds
}

const mostThresholds = 8

// settings are a kind's defaults with the rules that hold for one subject.
type settings struct {
	disabled   bool
	priority   fleet.Priority
	hold       Hold
	thresholds [mostThresholds]float64 // in the order of the kind's table
}

// seconds returns a threshold that is a time.
func (s *settings) seconds(i int) time.Duration {
	return time.Duration(s.thresholds[i] * float64(time.Second))
}

// settingsFor applies the rules in the order of the file: a later one wins.
func settingsFor(info *fleet.KindInfo, subject fleet.Subject, rules fleet.Rules) settings {
	s := settings{priority: info.Priority, hold: Hold{info.OnDelay, info.OffDelay}}
	for i, t := range info.Thresholds {
		s.thresholds[i] = t.Default
	}
	for i := range rules {
		r := &rules[i]
		if r.Kind != info.Kind || !subject.Inside(r.At) {
			continue
		}
		set(&s.disabled, r.Disabled)
		set(&s.priority, r.Priority)
		set(&s.hold.On, r.OnDelay)
		set(&s.hold.Off, r.OffDelay)
		for i, t := range info.Thresholds {
			if v, ok := r.Thresholds[t.Name]; ok {
				s.thresholds[i] = v
			}
		}
	}
	return s
}

func set[T any](to, from *T) {
	if from != nil {
		*to = *from
	}
}
