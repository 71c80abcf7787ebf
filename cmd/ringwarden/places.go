package main

import (
	"fmt"
	"strings"

	"ringwarden/fleet"
	"ringwarden/fleet/userfile"
)

// places lists the ids of every site, ring, controller and link of a fleet.
func places(f *fleet.Fleet) []string {
	var known []string
	for i := range f.Sites {
		s := &f.Sites[i]
		known = append(known, string(s.ID))
		for k := range s.Rings {
			known = append(known, string(s.Rings[k].ID))
			for _, c := range s.Rings[k].Controllers {
				known = append(known, string(c.ID))
			}
			for _, l := range s.Rings[k].Links() {
				known = append(known, string(l.ID))
			}
		}
	}
	return known
}

// placeHint suggests the whole id of a place of which only the end was written, or that is misspelt.
func placeHint(word string, known []string) string {
	var ends []string
	for _, id := range known {
		if word != "" && strings.HasSuffix(id, "/"+word) {
			ends = append(ends, id)
		}
	}
	if len(ends) == 1 {
		return fmt.Sprintf("; did you mean %q?", ends[0])
	}
	return userfile.Hint(word, known)
}
