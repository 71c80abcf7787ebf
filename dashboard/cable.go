package dashboard

import (
	"fmt"
	"net/http"

	"ringwarden/fleet"
)

// Cables are simulated cables that a person may pull. Only the demo has them. Its methods are called from several
// goroutines at once.
type Cables interface {
	// Pulled returns the cables that are out.
	Pulled() map[fleet.LinkID]bool
	// Pull takes a cable out, or puts it back in if it is out.
	Pull(link fleet.LinkID) error
}

// pullCable pulls a simulated cable or puts it back, then shows the page again.
func (s *server) pullCable(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, maxForm)
	link := fleet.LinkID(r.PostFormValue("link"))
	if !mayAct(r) {
		s.trouble(w, r, http.StatusForbidden, fmt.Errorf("%s may look and not act", actor(r)))
		return
	}
	if err := s.Cables.Pull(link); err != nil {
		s.trouble(w, r, http.StatusBadRequest, err)
		return
	}
	http.Redirect(w, r, back(r.PostFormValue("back")), http.StatusSeeOther)
}
