package userfile

import "strings"

// Suggest returns the known word that w was probably meant to be, or "".
func Suggest(w string, known []string) string {
	best, least := "", len(w)/3+2
	for _, k := range known {
		if dist := distance(strings.ToLower(w), strings.ToLower(k)); dist < least && dist < len(k) {
			best, least = k, dist
		}
	}
	return best
}

// hint returns what to write instead: the close word, or the whole list where it is short.
func hint(w string, known []string) string {
	if s := Suggest(w, known); s != "" {
		return `; did you mean "` + s + `"?`
	}
	if len(known) > 0 && len(known) <= 12 {
		return "; known are " + strings.Join(known, ", ")
	}
	return ""
}

// Hint returns "; did you mean …?" or "; known are …", to be put behind a message of the caller's own.
func Hint(w string, known []string) string { return hint(w, known) }

// distance is Damerau's with adjacent transpositions (optimal string alignment), over bytes.
func distance(a, b string) int {
	before, last := make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row := make([]int, len(b)+1)
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last = last, row
	}
	return last[len(b)]
}
