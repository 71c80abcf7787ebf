package dashboard

import (
	"bytes"
	"context"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"strings"
	"time"

	"ringwarden/fleet"
)

//go:embed pages
var pageFiles embed.FS

var templates = template.Must(template.New("").Funcs(template.FuncMap{"asset": assetPath, "act": newDeed}).ParseFS(pageFiles, "pages/*.html"))

// A deed is what a form does about an alarm.
type deed struct {
	Do    Verb
	Alarm alarmView
}

func newDeed(do Verb, a alarmView) deed { return deed{do, a} }

// A view is one page: what it shows, and which of its parts change by themselves.
type view struct {
	Title  string
	Name   string   // of its template
	Script string   // a script beside the one of all pages
	Parts  []string // ids of the parts that change; the template of one is NAME.ID
	Data   any
}

// A visit is one look at a page.
type visit struct {
	ctx   context.Context
	path  string
	query map[string][]string
	now   time.Time
	may   bool // act
	plan  *fleet.Fleet
	alarm []fleet.Alarm // every alarm that is not normal
	parts bool          // only the parts that change are wanted
}

func (v *visit) get(name string) string {
	if values := v.query[name]; len(values) > 0 {
		return values[0]
	}
	return ""
}

// errNoPage is the error of an address that has no page.
var errNoPage = errors.New("there is no such page")

// A refusal is the error of a question that makes no sense; its text tells the reader why.
type refusal struct{ error }

// visit gathers what every page needs.
func (s *server) visit(r *http.Request, path string, query map[string][]string) (*visit, error) {
	standing, err := s.Alarms.Standing(r.Context())
	if err != nil {
		return nil, fmt.Errorf("reading the alarms that stand: %w", err)
	}
	return &visit{r.Context(), path, query, s.Now(), s.Act != nil && mayAct(r), s.Live.plan(), standing, false}, nil
}

// view makes a page's contents.
func (s *server) view(v *visit) (*view, error) {
	first, rest, _ := strings.Cut(strings.TrimPrefix(v.path, "/"), "/")
	switch {
	case first == "" && rest == "":
		return s.overview(v)
	case first == "alarms" && rest == "":
		return s.alarmsPage(v)
	case first == "sites":
		return s.sitePage(v, fleet.SiteID(rest))
	case first == "reports" && rest == "":
		return s.reports(v)
	case first == "reports":
		return s.reportPage(v, fleet.SiteID(rest))
	case first == "controllers":
		return s.controllerPage(v, fleet.ControllerID(rest))
	case first == "cabletest":
		return s.testPage(v, fleet.RingID(rest))
	case first == "cables":
		return s.cablesPage(v, fleet.RingID(rest))
	}
	return nil, errNoPage
}

// A frame is what stands around every page.
type pageFrame struct {
	Title, Path, Live string
	Script            string // of its own; empty: none
	Sites             bool   // there are several
	SiteLink          string // of the only one
	ReportLink        string
	Here              string // which entry of the navigation this is
	Active, Waiting   int    // alarms
	User              string
	LoggedIn, Demo    bool
	Body              template.HTML
}

func (s *server) page(w http.ResponseWriter, r *http.Request) {
	v, err := s.visit(r, r.URL.Path, r.URL.Query())
	if err != nil {
		s.trouble(w, r, http.StatusInternalServerError, err)
		return
	}
	if r.URL.Path == "/" && len(v.plan.Sites) == 1 { // an overview of one site says nothing
		http.Redirect(w, r, "/sites/"+string(v.plan.Sites[0].ID), http.StatusFound)
		return
	}
	p, err := s.view(v)
	var refused refusal
	switch {
	case errors.Is(err, errNoPage):
		s.trouble(w, r, http.StatusNotFound, fmt.Errorf("there is nothing at %s", r.URL.Path))
		return
	case errors.As(err, &refused):
		s.trouble(w, r, http.StatusBadRequest, err)
		return
	case err != nil:
		s.trouble(w, r, http.StatusInternalServerError, err)
		return
	}
	s.show(w, r, v, p, http.StatusOK)
}

// show sends a page. It is made whole first: a template that fails must not leave half a page.
func (s *server) show(w http.ResponseWriter, r *http.Request, v *visit, p *view, status int) {
	var body, whole bytes.Buffer
	err := templates.ExecuteTemplate(&body, p.Name, p.Data)
	f := pageFrame{
		Title: p.Title, Path: r.URL.RequestURI(), Here: p.Name, Script: p.Script, Sites: len(v.plan.Sites) > 1, Demo: s.Cables != nil, ReportLink: "/reports",
		Active: len(activeAlarms(v.alarm)), Waiting: waiting(v.alarm), User: userOf(r), LoggedIn: s.Users != nil,
		Body: template.HTML(body.String()), // made by a template just now
	}
	if len(v.plan.Sites) == 1 {
		f.SiteLink, f.ReportLink = "/sites/"+string(v.plan.Sites[0].ID), "/reports/"+string(v.plan.Sites[0].ID)
	}
	if len(p.Parts) > 0 {
		f.Live = livePath + "?page=" + template.URLQueryEscaper(f.Path)
	}
	if err == nil {
		err = templates.ExecuteTemplate(&whole, "frame", f)
	}
	if err != nil {
		problem(w, http.StatusInternalServerError, fmt.Sprintf("making the page %s: %v", p.Name, err))
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	if status != http.StatusOK {
		w.WriteHeader(status)
	}
	send(w, r, whole.Bytes(), nil)
}

// trouble answers a reader whose page cannot be shown: people get a page, programs a problem.
func (s *server) trouble(w http.ResponseWriter, r *http.Request, status int, err error) {
	if !strings.Contains(r.Header.Get("Accept"), "text/html") {
		problem(w, status, err.Error())
		return
	}
	v := &visit{ctx: r.Context(), path: r.URL.Path, now: s.Now(), plan: s.Live.plan()}
	s.show(w, r, v, &view{Title: http.StatusText(status), Name: "trouble", Data: sentence(err.Error())}, status)
}
