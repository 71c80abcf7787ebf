package main

import (
	"encoding/json"
	"io"
	"time"

	"ringwarden/alerts"
	"ringwarden/cmd/ringwarden/door"
	"ringwarden/fleet"
)

// The shapes of what --json prints, with names as in the API of the pages. A time that there is not is left out.

type statJSON struct {
	File        string                `json:"file"`
	Format      int                   `json:"format"`
	Made        time.Time             `json:"made"`
	Bytes       int64                 `json:"bytes"`
	Free        int64                 `json:"free_bytes"`
	Oldest      time.Time             `json:"oldest,omitzero"`
	Newest      time.Time             `json:"newest,omitzero"`
	Standing    int                   `json:"standing_alarms"`
	Damaged     uint64                `json:"damaged"` // records met since the database was opened
	Quarantined int                   `json:"quarantined"`
	Quarantine  []string              `json:"quarantine"` // some of them, in words
	Buckets     []bucketJSON          `json:"buckets"`
	Controllers []controllerUsageJSON `json:"controllers"`
}

type bucketJSON struct {
	Name    string `json:"name"`
	Records int    `json:"records"`
	Bytes   int64  `json:"bytes"`
}

type controllerUsageJSON struct {
	Controller fleet.ControllerID `json:"controller"`
	Oldest     time.Time          `json:"oldest,omitzero"`
	Newest     time.Time          `json:"newest,omitzero"`
	Frames     int                `json:"frames"`
	Readings   int                `json:"readings"`
	Folded     int                `json:"folded_readings"`
	Bytes      int64              `json:"folded_bytes"`
}

func surveyJSON(v *door.Survey) statJSON {
	j := statJSON{
		File: v.Stat.Path, Format: v.Stat.Format, Made: v.Stat.Created, Bytes: v.Stat.Size, Free: v.Stat.Free, Oldest: v.Stat.Oldest, Newest: v.Stat.Newest,
		Standing: v.Stat.Standing, Damaged: v.Stat.Damaged, Quarantined: v.Stat.Quarantined, Quarantine: append([]string{}, v.Quarantine...),
		Buckets: []bucketJSON{}, Controllers: []controllerUsageJSON{},
	}
	for _, b := range v.Usage.Buckets {
		j.Buckets = append(j.Buckets, bucketJSON(b))
	}
	for _, c := range v.Usage.Controllers {
		j.Controllers = append(j.Controllers, controllerUsageJSON(c))
	}
	return j
}

type figuresJSON struct {
	From         time.Time          `json:"from"`
	To           time.Time          `json:"to"`
	Alarms       int                `json:"alarms"`
	PerHour      float64            `json:"per_hour"`
	MostIn10     int                `json:"most_in_ten_minutes"`
	Over10       float64            `json:"ten_minutes_over_10"` // shares, 0 to 1
	Over30       float64            `json:"hours_over_30"`
	Floods       int                `json:"floods"`
	FloodSeconds float64            `json:"flood_seconds"`
	FloodShare   float64            `json:"flood_share"`
	TopTen       []frequencyJSON    `json:"most_frequent"`
	TopTenShare  float64            `json:"most_frequent_share"`
	Chattering   []frequencyJSON    `json:"chattering"`
	Fleeting     []frequencyJSON    `json:"fleeting"`
	Stale        []staleJSON        `json:"stale"`
	ByPriority   map[string]float64 `json:"by_priority"`
	Shelved      int                `json:"shelved"`
	Suppressed   int                `json:"suppressed"`
}

type frequencyJSON struct {
	Kind    fleet.Kind    `json:"kind"`
	Subject fleet.Subject `json:"subject"`
	Count   int           `json:"count"`
}

type staleJSON struct {
	Kind    fleet.Kind    `json:"kind"`
	Subject fleet.Subject `json:"subject"`
	Seconds float64       `json:"seconds"`
}

func performanceJSON(p *alerts.Performance) figuresJSON {
	j := figuresJSON{
		From: p.From, To: p.To, Alarms: p.Alarms, PerHour: p.PerHour, MostIn10: p.MostIn10, Over10: p.Over10, Over30: p.Over30,
		Floods: p.Floods, FloodSeconds: p.FloodTime.Seconds(), FloodShare: p.FloodShare,
		TopTen: frequencies(p.TopTen), TopTenShare: p.TopTenShare, Chattering: frequencies(p.Chattering), Fleeting: frequencies(p.Fleeting),
		Stale: []staleJSON{}, ByPriority: map[string]float64{}, Shelved: p.Shelved, Suppressed: p.Suppressed,
	}
	for _, s := range p.Stale {
		j.Stale = append(j.Stale, staleJSON{s.Kind, s.Subject, s.For.Seconds()})
	}
	for i, priority := range []fleet.Priority{fleet.Low, fleet.Medium, fleet.High} {
		j.ByPriority[priority.String()] = p.ByPriority[i]
	}
	return j
}

func frequencies(list []alerts.Frequency) []frequencyJSON {
	j := []frequencyJSON{}
	for _, f := range list {
		j = append(j, frequencyJSON{f.Kind, f.Subject, f.Count})
	}
	return j
}

// writeJSON prints v for programs: indented, and with the signs that links have in their ids as they are.
func writeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}
