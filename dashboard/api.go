package dashboard

import (
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"mime"
	"net/http"
	"time"

	"ringwarden/fleet"
)

//go:embed openapi.json
var openAPI []byte

func (s *server) routeAPI() {
	s.mux.HandleFunc("GET /api/v1/openapi.json", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		send(w, r, openAPI, nil)
	})
	s.mux.HandleFunc("GET /api/v1/alarms", s.alarms)
	s.mux.HandleFunc("GET /api/v1/sites", s.sites)
	s.mux.HandleFunc("GET /api/v1/controllers", s.controllers)
	s.mux.HandleFunc("GET /api/v1/controllers/{site}/{ring}/{controller}", s.readings)
	s.mux.HandleFunc("GET /api/v1/reports/{site}", s.reportAPI)
	s.mux.HandleFunc("POST /api/v1/actions", s.actByJSON)
	s.mux.HandleFunc("GET /api/v1/cables/{site}/{ring}", s.cables)
	s.mux.HandleFunc("GET /api/v1/cabletests/{site}/{ring}", s.testFigures)
	s.mux.HandleFunc("POST /api/v1/cabletests/{site}/{ring}", s.actOnTestByJSON)
	if s.Journal != nil {
		s.mux.HandleFunc("POST /api/v1/cables/{site}/{ring}/notes", s.noteByJSON)
		s.mux.HandleFunc("POST /api/v1/cables/{site}/{ring}/swaps", s.swapByJSON)
	}
}

func answer(w http.ResponseWriter, r *http.Request, v any) {
	body, err := json.Marshal(v)
	if err != nil {
		problem(w, http.StatusInternalServerError, fmt.Sprintf("writing the answer: %v", err))
		return
	}
	w.Header().Set("Content-Type", "application/json")
	send(w, r, append(body, '\n'), nil)
}

type siteJSON struct {
	ID    fleet.SiteID `json:"id"`
	Name  string       `json:"name"`
	Zone  string       `json:"zone"`
	Rings []ringJSON   `json:"rings"`
}

type ringJSON struct {
	ID          fleet.RingID         `json:"id"`
	Name        string               `json:"name"`
	Open        bool                 `json:"open"`
	Controllers []fleet.ControllerID `json:"controllers"` // in ring order
	Links       []fleet.LinkID       `json:"links"`
}

func (s *server) sites(w http.ResponseWriter, r *http.Request) {
	f := s.Live.plan()
	list := make([]siteJSON, len(f.Sites))
	for i := range f.Sites {
		site := &f.Sites[i]
		list[i] = siteJSON{ID: site.ID, Name: site.Name, Zone: site.Zone.String(), Rings: []ringJSON{}}
		for k := range site.Rings {
			ring := &site.Rings[k]
			j := ringJSON{ID: ring.ID, Name: ring.Name, Open: ring.Open, Controllers: []fleet.ControllerID{}, Links: []fleet.LinkID{}}
			for _, c := range ring.Controllers {
				j.Controllers = append(j.Controllers, c.ID)
			}
			for _, l := range ring.Links() {
				j.Links = append(j.Links, l.ID)
			}
			list[i].Rings = append(list[i].Rings, j)
		}
	}
	answer(w, r, map[string]any{"at": s.Now().UTC(), "sites": list})
}

type controllerJSON struct {
	ID      fleet.ControllerID `json:"id"`
	Name    string             `json:"name"`
	Source  fleet.Source       `json:"source"`
	Rated   float64            `json:"rated_watts,omitempty"`
	Outcome string             `json:"outcome"`         // of the last poll
	Heard   *time.Time         `json:"heard,omitempty"` // the last answer
	Stage   string             `json:"stage,omitempty"` // left out: not known now
	Volts   *float64           `json:"battery_volts,omitempty"`
	Watts   *float64           `json:"output_watts,omitempty"`
	Joules  *float64           `json:"energy_today_joules,omitempty"`
}

func (s *server) controllers(w http.ResponseWriter, r *http.Request) {
	f, now := s.Live.plan(), s.Now()
	only := r.URL.Query().Get("site")
	if r.URL.Query().Has("site") && findSite(f, fleet.SiteID(only)) == nil {
		problem(w, http.StatusNotFound, fmt.Sprintf("the fleet has no site %q", only))
		return
	}
	list := []controllerJSON{}
	for i := range f.Sites {
		if only != "" && f.Sites[i].ID != fleet.SiteID(only) {
			continue
		}
		for k := range f.Sites[i].Rings {
			for _, u := range s.Live.glance(f.Sites[i].Rings[k].Controllers) {
				list = append(list, toControllerJSON(&u, now))
			}
		}
	}
	answer(w, r, map[string]any{"at": now.UTC(), "controllers": list})
}

func toControllerJSON(u *unit, now time.Time) controllerJSON {
	j := controllerJSON{ID: u.c.ID, Name: u.c.Name, Source: u.c.Source, Rated: u.c.Rated, Outcome: u.outcome.String()}
	if !u.heard.IsZero() {
		heard := u.heard.UTC()
		j.Heard = &heard
	}
	if stage, ok := u.stageNow(now); ok {
		j.Stage = stage.String()
	}
	j.Volts, j.Watts = u.freshJSON(fleet.BatteryVoltage, now), u.freshJSON(fleet.OutputPower, now)
	if u.day.covered > 0 && now.Before(u.day.end) {
		joules := u.day.joules
		j.Joules = &joules
	}
	return j
}

func (u *unit) freshJSON(q fleet.Quantity, now time.Time) *float64 {
	if v, ok := u.fresh(q, now); ok && !math.IsNaN(v) && !math.IsInf(v, 0) {
		return &v
	}
	return nil
}

type readingJSON struct {
	Point    string     `json:"point"`
	Quantity string     `json:"quantity,omitempty"`
	Group    string     `json:"group"`
	At       time.Time  `json:"at"`
	Quality  string     `json:"quality"`
	Old      bool       `json:"old,omitempty"`   // older than three of its periods
	Value    *float64   `json:"value,omitempty"` // in the base unit; left out unless the quality is good
	Unit     fleet.Unit `json:"unit,omitempty"`
	Text     string     `json:"text,omitempty"` // what people read: the stage, the flags, the text
}

func (s *server) readings(w http.ResponseWriter, r *http.Request) {
	id := fleet.ControllerID(r.PathValue("site") + "/" + r.PathValue("ring") + "/" + r.PathValue("controller"))
	_, _, c := findController(s.Live.plan(), id)
	if c == nil {
		problem(w, http.StatusNotFound, fmt.Sprintf("the fleet has no controller %q", id))
		return
	}
	now := s.Now()
	u := s.Live.look([]fleet.Controller{*c})[0]
	list := []readingJSON{}
	all := u.readings()
	for i := range all {
		v := &all[i]
		j := readingJSON{
			Point: v.point.Name, Quantity: v.point.Quantity.String(), Group: v.group.String(), At: v.at.UTC(),
			Quality: v.Quality.String(), Old: u.old(v, now), Unit: v.point.Unit,
		}
		if v.Quality == fleet.Good {
			j.Text = said(v)
			if n := v.Number; v.point.Form != fleet.FormText && !math.IsNaN(n) && !math.IsInf(n, 0) {
				j.Value = &n
			}
		}
		list = append(list, j)
	}
	answer(w, r, map[string]any{"at": now.UTC(), "controller": toControllerJSON(&u, now), "readings": list})
}

// An actionJSON is what POST /api/v1/actions takes.
type actionJSON struct {
	Do      Verb          `json:"do"`
	Kind    fleet.Kind    `json:"kind"`
	Subject fleet.Subject `json:"subject"`
	For     string        `json:"for"`      // a time span, as in 8h
	OneShot bool          `json:"one_shot"` // shelve: until it next goes away, if that is earlier
	Kinds   []fleet.Kind  `json:"kinds"`    // take-out: these alone
	Why     string        `json:"why"`
}

// takes reads a small body strictly; false: it was answered with what is wrong.
func takes(w http.ResponseWriter, r *http.Request, what string, into any) bool {
	if kind, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type")); kind != "application/json" {
		problem(w, http.StatusUnsupportedMediaType, "the body must be application/json")
		return false
	}
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxForm))
	d.DisallowUnknownFields()
	err := d.Decode(into)
	if err == nil {
		if _, more := d.Token(); !errors.Is(more, io.EOF) {
			err = errors.New("something follows the " + what)
		}
	}
	if err != nil {
		problem(w, http.StatusBadRequest, fmt.Sprintf("reading the %s: %v", what, err))
	}
	return err == nil
}

func (s *server) actByJSON(w http.ResponseWriter, r *http.Request) {
	var j actionJSON
	if !takes(w, r, "action", &j) {
		return
	}
	var err error
	a := Action{Verb: j.Do, Key: fleet.AlarmKey{Kind: j.Kind, Subject: j.Subject}, Why: j.Why, Who: actor(r), OneShot: j.OneShot, Kinds: j.Kinds}
	if j.For != "" {
		if a.For, err = time.ParseDuration(j.For); err != nil {
			problem(w, http.StatusBadRequest, fmt.Sprintf("for=%q is no time span; write it as 8h", j.For))
			return
		}
	}
	if status, err := s.perform(r, &a); err != nil {
		problem(w, status, err.Error())
		return
	}
	w.WriteHeader(http.StatusNoContent)
}
