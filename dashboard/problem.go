package dashboard

import (
	"encoding/json"
	"net/http"
)

// A details is a problem of RFC 9457, section 3.1, of the type about:blank: the status says what sort it is.
type details struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail"`
}

const problemType = "application/problem+json"

func problem(w http.ResponseWriter, status int, detail string) {
	w.Header().Set("Content-Type", problemType)
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(details{"about:blank", http.StatusText(status), status, detail}) // as plain
}
