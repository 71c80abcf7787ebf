package dashboard

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"ringwarden/diagnosis"
	"ringwarden/fleet"
)

// notesShown is how many notes a page shows, the newest ones, and notesBack how far back it looks for them. The command
// notes lists all.
const (
	notesShown = 20
	notesBack  = 366 * 24 * time.Hour
)

// A noteView is a note as a page shows it.
type noteView struct{ At, Where, Who, Text string }

// notesOf adds the newest notes about a ring, the newest first.
func (s *server) notesOf(v *visit, site *fleet.Site, ring *fleet.Ring, d *cablesPage) error {
	if s.Journal == nil {
		return nil
	}
	var all []fleet.Note
	at := fleet.Subject(ring.ID)
	for n, err := range s.Journal.Notes(v.ctx, v.now.Add(-notesBack), time.Time{}) {
		if err != nil {
			return fmt.Errorf("reading the notes: %w", err)
		}
		if n.Subject == "" || n.Subject.Inside(at) || at.Inside(n.Subject) {
			all = append(all, n)
		}
	}
	slices.Reverse(all)
	shown := min(len(all), notesShown)
	d.Older = len(all) - shown
	for i := range all[:shown] {
		n := &all[i]
		view := noteView{At: clock(n.At, v.now, site.Zone), Where: v.nameOf(n.Subject), Who: n.Who, Text: n.Text}
		if here, there, ok := diagnosis.ReadSwapNote(n.Text); ok { // ids are for programs
			view.Text = strings.Replace(n.Text, diagnosis.SwapNote(here, there),
				"swapped "+v.nameOf(fleet.Subject(here))+" and "+v.nameOf(fleet.Subject(there)), 1)
			view.Text = sentence(view.Text)
		}
		d.Notes = append(d.Notes, view)
	}
	return nil
}

// errNotNow is the error of a time that is still to come.
var errNotNow = errors.New("that time is still to come; a note tells of what was")

// keepNote checks and stores what a person wrote. It returns the status of what it answers with.
func (s *server) keepNote(r *http.Request, n fleet.Note) (int, error) {
	n.Who = actor(r)
	f := s.Live.plan()
	switch {
	case s.Journal == nil:
		return http.StatusNotFound, errors.New("nothing can be stored here")
	case s.Act == nil || !mayAct(r):
		return http.StatusForbidden, fmt.Errorf("%s may look and not write; an operator has to do it", n.Who)
	case strings.TrimSpace(n.Text) == "":
		return http.StatusBadRequest, errors.New("the note is empty; write what was done or seen")
	case !utf8.ValidString(n.Text):
		return http.StatusBadRequest, errors.New("the note is no UTF-8")
	case n.At.After(s.Now()):
		return http.StatusBadRequest, errNotNow
	case !hasPlace(f, n.Subject):
		return http.StatusBadRequest, fmt.Errorf("%q is no place of the fleet; name a site, ring, controller or link by its id", n.Subject)
	}
	if err := s.Journal.PutNote(r.Context(), n); err != nil {
		return http.StatusInternalServerError, err
	}
	s.Studies.again(ringOf(f, n.Subject))
	return http.StatusOK, nil
}

// ringOf returns the ring that a subject is, or is inside of; empty: none.
func ringOf(f *fleet.Fleet, at fleet.Subject) fleet.RingID {
	for s := range f.Sites {
		for r := range f.Sites[s].Rings {
			if id := f.Sites[s].Rings[r].ID; at.Inside(fleet.Subject(id)) {
				return id
			}
		}
	}
	return ""
}

// form reads a small form; false: it was answered with what is wrong.
func (s *server) form(w http.ResponseWriter, r *http.Request) bool {
	r.Body = http.MaxBytesReader(w, r.Body, maxForm)
	if err := r.ParseForm(); err != nil {
		s.trouble(w, r, http.StatusBadRequest, fmt.Errorf("reading the form: %w", err))
		return false
	}
	return true
}

// formTime reads when something was, by the clock of the site that it was at; nothing means now.
func (s *server) formTime(r *http.Request, at fleet.Subject) (time.Time, error) {
	now := s.Now()
	text := r.PostForm.Get("when")
	if text == "" {
		return now, nil
	}
	v := &visit{plan: s.Live.plan()}
	t, err := parseInstant("when", text, v.zoneOf(at))
	return t, err
}

// noteByForm stores what a person wrote on a page.
func (s *server) noteByForm(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) {
		return
	}
	n := fleet.Note{Subject: fleet.Subject(r.PostForm.Get("subject")), Text: strings.TrimSpace(r.PostForm.Get("text"))}
	s.keepFormNote(w, r, n)
}

// swapByForm stores that two cables were swapped, which begins a swap test.
func (s *server) swapByForm(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) {
		return
	}
	here, there := fleet.LinkID(r.PostForm.Get("here")), fleet.LinkID(r.PostForm.Get("there"))
	n, err := swapNote(s.Live.plan(), here, there)
	if err != nil {
		s.trouble(w, r, http.StatusBadRequest, err)
		return
	}
	s.keepFormNote(w, r, n)
}

func (s *server) keepFormNote(w http.ResponseWriter, r *http.Request, n fleet.Note) {
	var err error
	status := http.StatusBadRequest
	if len(n.Text) > maxWhy {
		err = fmt.Errorf("the note is longer than %d bytes", maxWhy)
	} else if n.At, err = s.formTime(r, n.Subject); err == nil {
		status, err = s.keepNote(r, n)
	}
	if err != nil {
		s.trouble(w, r, status, err)
		return
	}
	http.Redirect(w, r, back(r.PostForm.Get("back")), http.StatusSeeOther)
}

// swapNote returns the note of a swap, or why the two cables cannot have been swapped.
func swapNote(f *fleet.Fleet, here, there fleet.LinkID) (fleet.Note, error) {
	switch {
	case here == there:
		return fleet.Note{}, errors.New("the two cables are one; choose the suspected one and another")
	case here.Ring() != there.Ring():
		return fleet.Note{}, errors.New("the two cables are of two rings; swap two of one ring")
	case !hasPlace(f, fleet.Subject(here)) || !hasPlace(f, fleet.Subject(there)):
		return fleet.Note{}, fmt.Errorf("%s and %s are not both cables of the fleet", here, there)
	}
	return fleet.Note{Subject: fleet.Subject(here.Ring()), Text: diagnosis.SwapNote(here, there)}, nil
}
