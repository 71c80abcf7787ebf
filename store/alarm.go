package store

import (
	"encoding/binary"
	"fmt"
	"strings"
	"time"

	"ringwarden/fleet"
)

// The only kinds of change and of standing alarm so far.
const (
	changeKind   = 1
	standingKind = 1
)

// standingKey returns the key of an alarm: kind, a zero byte, subject.
func standingKey(k fleet.AlarmKey) []byte {
	return []byte(string(k.Kind) + "\x00" + string(k.Subject))
}

// checkChange says why a change cannot be stored.
func checkChange(c *fleet.Change) error {
	why := ""
	switch k := c.Alarm.AlarmKey; {
	case k.Kind == "":
		why = "its alarm has no kind"
	case strings.ContainsRune(string(k.Kind), 0):
		why = "its alarm's kind holds a zero byte"
	case len(k.Kind)+len(k.Subject) > textLimit:
		why = fmt.Sprintf("its alarm's kind and subject are longer than %d bytes", textLimit)
	}
	for _, t := range []time.Time{c.At, c.Alarm.Since, c.Alarm.Raised, c.Alarm.Until} {
		if !t.IsZero() && !storable(t) {
			why = "a time in it is out of range"
		}
	}
	if c.At.IsZero() {
		why = "it has no instant"
	}
	if why == "" {
		return nil
	}
	return fmt.Errorf("change of %.80q on %.80q at %v: %w: %s", c.Alarm.Kind, c.Alarm.Subject, c.At, ErrInvalid, why)
}

func appendChange(b []byte, c *fleet.Change) []byte {
	b = append(b, changeKind, byte(c.From))
	b = appendText(b, c.Who)
	b = appendText(b, c.Why)
	return appendAlarm(b, &c.Alarm)
}

func decodeChange(at time.Time, body []byte) (fleet.Change, bool) {
	w := wire{b: body}
	if w.octet() != changeKind {
		return fleet.Change{}, false
	}
	c := fleet.Change{At: at, From: fleet.AlarmState(w.octet()), Who: w.text(), Why: w.text()}
	c.Alarm = w.alarm()
	return c, w.done()
}

func appendStanding(b []byte, a *fleet.Alarm) []byte {
	return appendAlarm(append(b, standingKind), a)
}

func decodeStanding(body []byte) (fleet.Alarm, bool) {
	w := wire{b: body}
	if w.octet() != standingKind {
		return fleet.Alarm{}, false
	}
	a := w.alarm()
	return a, w.done()
}

func appendAlarm(b []byte, a *fleet.Alarm) []byte {
	b = appendText(b, string(a.Kind))
	b = appendText(b, string(a.Subject))
	b = append(b, byte(a.State), byte(a.Priority))
	b = appendTime(b, a.Since)
	b = appendTime(b, a.Raised)
	for _, s := range []string{a.Text, a.Advice, a.Caution} {
		b = appendText(b, s)
	}
	b = binary.AppendUvarint(b, uint64(len(a.Figures)))
	for _, f := range a.Figures {
		b = appendFloat(appendText(appendText(b, f.Name), string(f.Unit)), f.Value)
	}
	if !a.Until.IsZero() {
		b = appendTime(b, a.Until)
	}
	return b
}

func (w *wire) alarm() fleet.Alarm {
	var a fleet.Alarm
	a.Kind, a.Subject = fleet.Kind(w.text()), fleet.Subject(w.text())
	a.State, a.Priority = fleet.AlarmState(w.octet()), fleet.Priority(w.octet())
	a.Since, a.Raised = w.time(), w.time()
	a.Text, a.Advice, a.Caution = w.text(), w.text(), w.text()
	if n := w.count(); n > 0 {
		a.Figures = make([]fleet.Figure, n)
	}
	for i := range a.Figures {
		f := &a.Figures[i]
		f.Name, f.Unit, f.Value = w.text(), fleet.Unit(w.text()), w.float()
	}
	if len(w.b) > 0 {
		a.Until = w.time()
	}
	return a
}

// appendTime appends 0 for the zero time, else 1 and the nanoseconds since 1970.
func appendTime(b []byte, t time.Time) []byte {
	if t.IsZero() {
		return append(b, 0)
	}
	return binary.BigEndian.AppendUint64(append(b, 1), uint64(t.UnixNano()))
}

func (w *wire) time() time.Time {
	switch w.octet() {
	case 0:
		return time.Time{}
	case 1:
		return time.Unix(0, int64(w.uint64())).UTC()
	}
	w.fail()
	return time.Time{}
}
