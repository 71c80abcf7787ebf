package dashboard

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"time"

	"ringwarden/fleet"
)

// A reportJSON is the answer of /api/v1/reports/{site}: what the page shows, in base units (J, s, shares from 0 to 1).
type reportJSON struct {
	At       time.Time           `json:"at"`
	Site     fleet.SiteID        `json:"site"`
	From     time.Time           `json:"from"`
	To       time.Time           `json:"to"`
	Until    time.Time           `json:"until"` // what has happened of it
	Units    []reportUnitJSON    `json:"controllers"`
	Rings    []reportRingJSON    `json:"rings"`
	Alarms   reportAlarmsJSON    `json:"alarms"`
	Settings []reportSettingJSON `json:"settings"`
	Notes    []reportNoteJSON    `json:"notes"`
	// NotesOmitted is how many older notes were left out.
	NotesOmitted int `json:"notes_omitted,omitempty"`
}

type reportUnitJSON struct {
	ID      fleet.ControllerID `json:"id"`
	Source  fleet.Source       `json:"source"`
	Rated   float64            `json:"rated_watts,omitempty"`
	Joules  *float64           `json:"energy_joules,omitempty"`         // of the time that is covered; left out: not known
	Counter *float64           `json:"energy_counter_joules,omitempty"` // by the controller's own counter
	Yield   *float64           `json:"final_yield_hours,omitempty"`     // kWh/kW, IEC 61724-1
	Covered float64            `json:"covered"`                         // share of the time in which the power was read
	Read    float64            `json:"stage_read"`                      // share of the time in which the stage was
	Stages  map[string]float64 `json:"stage_seconds"`
}

type reportRingJSON struct {
	ID        fleet.RingID     `json:"id"`
	FullDays  []string         `json:"full_days"`  // dates of the site's own days
	KnownDays int              `json:"known_days"` // of which enough is known to say whether the bank was full
	Without   int              `json:"most_days_without_full_charge"`
	Calls     []reportCallJSON `json:"calls"`
	Links     []reportLinkJSON `json:"links"`
}

type reportCallJSON struct {
	At time.Time `json:"at"`
	keptCall
}

type reportLinkJSON struct {
	ID      fleet.LinkID `json:"id"`
	Good    *float64     `json:"good_frames,omitempty"` // left out: its receiver does not count
	Bad     *float64     `json:"bad_frames,omitempty"`
	Heard   *float64     `json:"heard,omitempty"` // share of samples, where frames are not counted
	Alarms  int          `json:"alarms"`
	Seconds float64      `json:"alarm_seconds"`
}

type reportAlarmsJSON struct {
	Raised   int                `json:"raised"`
	PerHour  float64            `json:"per_hour"`
	Floods   int                `json:"floods"`
	FloodS   float64            `json:"flood_seconds"`
	Kinds    []reportKindJSON   `json:"kinds"`
	Longest  []reportLongerJSON `json:"longest"`
	Standing []alarmJSON        `json:"standing"` // now
}

type reportKindJSON struct {
	Kind    fleet.Kind `json:"kind"`
	Raised  int        `json:"raised"`
	Seconds float64    `json:"stood_seconds"`
}

type reportLongerJSON struct {
	Kind    fleet.Kind    `json:"kind"`
	Subject fleet.Subject `json:"subject"`
	From    time.Time     `json:"from"`
	To      *time.Time    `json:"to,omitempty"` // left out: it still stood at the end
	Seconds float64       `json:"stood_seconds"`
}

type reportSettingJSON struct {
	ID       fleet.ControllerID `json:"controller"`
	Read     *time.Time         `json:"read,omitempty"`
	Name     string             `json:"name"`
	Intended string             `json:"intended"`
	Actual   string             `json:"actual"`
	Differs  bool               `json:"differs"`
}

type reportNoteJSON struct {
	At      time.Time     `json:"at"`
	Subject fleet.Subject `json:"subject,omitempty"`
	Who     string        `json:"who,omitempty"`
	Text    string        `json:"text"`
}

func (s *server) reportAPI(w http.ResponseWriter, r *http.Request) {
	id := fleet.SiteID(r.PathValue("site"))
	v, err := s.visit(r, r.URL.Path, r.URL.Query())
	if err != nil {
		problem(w, http.StatusInternalServerError, err.Error())
		return
	}
	site := findSite(v.plan, id)
	if site == nil {
		problem(w, http.StatusNotFound, fmt.Sprintf("the fleet has no site %q", id))
		return
	}
	span, err := reportSpanOf(v.query, v.now, site.Zone)
	var made *siteReport
	if err == nil {
		made, err = s.report(v, site, span)
	}
	var refused refusal
	switch {
	case errors.As(err, &refused):
		problem(w, http.StatusBadRequest, err.Error())
	case err != nil:
		problem(w, http.StatusInternalServerError, err.Error())
	default:
		answer(w, r, toReportJSON(made))
	}
}

func toReportJSON(r *siteReport) *reportJSON {
	j := &reportJSON{
		At: r.at.UTC(), Site: r.site.ID, From: r.span.from.UTC(), To: r.span.to.UTC(), Until: r.span.until.UTC(),
		Units: []reportUnitJSON{}, Rings: []reportRingJSON{}, Settings: []reportSettingJSON{}, Notes: []reportNoteJSON{}, NotesOmitted: r.more,
	}
	for i := range r.units {
		u := &r.units[i]
		j.Units = append(j.Units, r.unitJSON(u))
		for _, row := range u.settings {
			s := reportSettingJSON{ID: u.c.ID, Name: row.Name, Intended: row.Intended, Actual: row.Actual, Differs: row.Differs}
			if !u.settingsOf.IsZero() {
				at := u.settingsOf.UTC()
				s.Read = &at
			}
			j.Settings = append(j.Settings, s)
		}
	}
	for i := range r.rings {
		j.Rings = append(j.Rings, r.rings[i].json())
	}
	j.Alarms = r.alarmsJSON()
	for _, n := range r.notes {
		j.Notes = append(j.Notes, reportNoteJSON{n.At.UTC(), n.Subject, n.Who, n.Text})
	}
	return j
}

func (r *siteReport) unitJSON(u *unitReport) reportUnitJSON {
	j := reportUnitJSON{
		ID: u.c.ID, Source: u.c.Source, Rated: u.c.Rated, Covered: u.share(r, u.covered), Read: u.share(r, u.staged), Stages: map[string]float64{},
	}
	if u.powerIsRead {
		j.Joules = finiteOrNil(u.joules)
		if u.c.Rated > 0 {
			j.Yield = finiteOrNil(u.joules / 3.6e6 / (u.c.Rated / 1000))
		}
	}
	if u.counted {
		j.Counter = finiteOrNil(u.counter)
	}
	for _, s := range fleet.Stages {
		if held := u.stages[s]; held > 0 {
			j.Stages[s.String()] = held.Seconds()
		}
	}
	return j
}

// finiteOrNil returns nothing for what JSON cannot write.
func finiteOrNil(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func (w *ringReport) json() reportRingJSON {
	j := reportRingJSON{ID: w.ring.ID, FullDays: []string{}, KnownDays: w.days, Without: w.unfull, Calls: []reportCallJSON{}, Links: []reportLinkJSON{}}
	for _, day := range w.fullDays {
		j.FullDays = append(j.FullDays, day.Format(time.DateOnly))
	}
	for _, c := range w.calls {
		j.Calls = append(j.Calls, reportCallJSON{c.at.UTC(), c})
	}
	for i := range w.links {
		l := &w.links[i]
		k := reportLinkJSON{ID: l.link.ID, Alarms: l.alarms, Seconds: l.stood.Seconds()}
		switch {
		case l.counted:
			k.Good, k.Bad = finiteOrNil(l.good), finiteOrNil(l.bad)
		case l.sampled > 0:
			k.Heard = finiteOrNil(l.heard)
		}
		j.Links = append(j.Links, k)
	}
	return j
}

func (r *siteReport) alarmsJSON() reportAlarmsJSON {
	p := &r.measured
	j := reportAlarmsJSON{
		Raised: p.Alarms, PerHour: p.PerHour, Floods: p.Floods, FloodS: p.FloodTime.Seconds(),
		Kinds: []reportKindJSON{}, Longest: []reportLongerJSON{}, Standing: []alarmJSON{},
	}
	for _, k := range r.kinds {
		j.Kinds = append(j.Kinds, reportKindJSON{k.kind, k.raised, k.stood.Seconds()})
	}
	for i := range r.longest {
		a := &r.longest[i]
		k := reportLongerJSON{Kind: a.Kind, Subject: a.Subject, From: a.from.UTC(), Seconds: a.stood.Seconds()}
		if !a.to.IsZero() {
			to := a.to.UTC()
			k.To = &to
		}
		j.Longest = append(j.Longest, k)
	}
	for i := range r.standing {
		j.Standing = append(j.Standing, toAlarmJSON(&r.standing[i]))
	}
	return j
}
