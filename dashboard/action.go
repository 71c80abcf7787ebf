package dashboard

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"ringwarden/fleet"
)

// A Verb is what a person can do about an alarm or a part of the fleet.
type Verb string

// The verbs.
const (
	Acknowledge Verb = "acknowledge" // seen it
	Shelve      Verb = "shelve"      // hide it for a time
	Unshelve    Verb = "unshelve"    // show it again
	TakeOut     Verb = "take-out"    // raise nothing inside a place for a time, while people work there
	Return      Verb = "return"      // raise alarms there again
	Comment     Verb = "comment"     // write a note about an alarm or a place
)

// Verbs lists every verb.
var Verbs = []Verb{Acknowledge, Shelve, Unshelve, TakeOut, Return, Comment}

// An Action is what a person asks for.
type Action struct {
	Verb    Verb
	Key     fleet.AlarmKey // of the alarm; for TakeOut, Return and Comment the Kind may be empty: then it is the place
	For     time.Duration  // Shelve and TakeOut: how long
	OneShot bool           // Shelve: no longer than until the condition next goes away
	Kinds   []fleet.Kind   // TakeOut: these alone; nil: all
	Who     string         // never empty
	Why     string         // at most 500 bytes; never empty for Shelve and TakeOut, nor for Comment, whose text it is
}

// Note returns what a Comment writes down.
func (a *Action) Note(at time.Time) fleet.Note {
	text := a.Why
	if a.Key.Kind != "" {
		text = alarmWord(a.Key.Kind) + ": " + text
	}
	return fleet.Note{At: at, Subject: a.Key.Subject, Who: a.Who, Text: text}
}

// localUser is who acts where nobody logs in: whoever sits at this machine.
const localUser = "somebody at this machine"

// Limits of what a person may send.
const (
	maxForm = 16 << 10
	maxWhy  = 500
)

// check says what is missing from an action.
func (a *Action) check() error {
	held := a.Verb == Shelve || a.Verb == TakeOut
	switch {
	case a.Key.Subject == "":
		return errors.New("subject is empty; say what it is about, by its id, as in mill/north/alder")
	case a.Key.Kind == "" && a.Verb != TakeOut && a.Verb != Return && a.Verb != Comment:
		return errors.New("kind is empty; say which alarm, as in link-down")
	case len(a.Why) > maxWhy || !utf8.ValidString(a.Why):
		return fmt.Errorf("why is longer than %d bytes, or no UTF-8", maxWhy)
	case held && strings.TrimSpace(a.Why) == "":
		return errors.New("why is empty; give a reason, for whoever asks later")
	case a.Verb == Comment && strings.TrimSpace(a.Why) == "":
		return errors.New("why is empty; write what is to be noted")
	case held && a.For <= 0:
		return errors.New("for is missing; say for how long, as in 8h")
	}
	if slices.Contains(Verbs, a.Verb) {
		return nil
	}
	return fmt.Errorf("do=%q is nothing that can be done; %s can", a.Verb, joined(verbWords()))
}

func verbWords() []string {
	words := make([]string, len(Verbs))
	for i, v := range Verbs {
		words[i] = string(v)
	}
	return words
}

// perform checks who asks and does what is asked. It returns the status of what it answers with.
func (s *server) perform(r *http.Request, a *Action) (int, error) {
	if s.Act == nil {
		return http.StatusNotFound, errors.New("nothing can be done here")
	}
	if !mayAct(r) {
		return http.StatusForbidden, fmt.Errorf("%s may look and not act; an operator has to do it", a.Who)
	}
	if err := a.check(); err != nil {
		return http.StatusBadRequest, err
	}
	if a.Verb == Comment && !hasPlace(s.Live.plan(), a.Key.Subject) { // nobody would find it again
		return http.StatusConflict, fmt.Errorf("the fleet has no place %q to write about", a.Key.Subject)
	}
	if err := s.Act(r.Context(), *a); err != nil {
		return http.StatusConflict, err
	}
	return http.StatusOK, nil
}

// actByForm does what a page's form asks, then shows the page again.
func (s *server) actByForm(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, maxForm)
	if err := r.ParseForm(); err != nil {
		s.trouble(w, r, http.StatusBadRequest, fmt.Errorf("reading the form: %w", err))
		return
	}
	a := Action{
		Verb: Verb(r.PostForm.Get("do")), Who: actor(r), Why: strings.TrimSpace(r.PostForm.Get("why")),
		Key:     fleet.AlarmKey{Kind: fleet.Kind(r.PostForm.Get("kind")), Subject: fleet.Subject(r.PostForm.Get("subject"))},
		OneShot: r.PostForm.Get("one_shot") != "",
	}
	for _, k := range r.PostForm["only"] {
		a.Kinds = append(a.Kinds, fleet.Kind(k))
	}
	if hours, err := strconv.Atoi(r.PostForm.Get("hours")); err == nil && hours > 0 && hours <= 24*365 {
		a.For = time.Duration(hours) * time.Hour
	}
	if status, err := s.perform(r, &a); err != nil {
		s.trouble(w, r, status, err)
		return
	}
	http.Redirect(w, r, back(r.PostForm.Get("back")), http.StatusSeeOther)
}

// back returns a page of this daemon to go back to; anything else is the alarms.
func back(path string) string {
	u, err := url.Parse(path)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(u.Path, "//") || strings.ContainsRune(path, '\\') {
		return "/alarms"
	}
	if u.Fragment != "" { // the reader comes back to the same place
		return u.RequestURI() + "#" + u.EscapedFragment()
	}
	return u.RequestURI()
}

// actor returns who acts.
func actor(r *http.Request) string {
	if u := userOf(r); u != "" {
		return u
	}
	return localUser
}
