package dashboard

import (
	"testing"

	"ringwarden/alerts"
)

// A word for a kind that is not there would never be shown.
func TestPictureWordsAreOfKinds(t *testing.T) {
	known := map[string]bool{}
	for _, k := range alerts.Kinds() {
		known[string(k.Kind)] = true
	}
	for k, word := range pictureWords {
		if !known[string(k)] || len(word) > 22 {
			t.Errorf("%q: %q; want a kind of alarm and at most 22 letters", k, word)
		}
	}
}
