package fleet

import (
	"regexp"
	"strconv"
	"strings"
	"unicode"
)

// longestSlug keeps ids short enough for labels, file names and one line of a terminal.
const longestSlug = 63

var slugText = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

// plainLetters maps Latin letters to what their slug has. Marks that stand alone in the text are dropped, so that a
// name gives the same slug whether its file holds "é" as one character or as two.
var plainLetters = func() map[rune]string {
	m := map[rune]string{
		'ß': "ss", 'æ': "ae", 'œ': "oe", 'ø': "o", 'đ': "d", 'ð': "d", 'þ': "th", 'ł': "l", 'ħ': "h", 'ı': "i", 'ŋ': "n",
	}
	for plain, marked := range map[string]string{
		"a": "àáâãäåāăą", "c": "çćĉċč", "d": "ď", "e": "èéêëēĕėęě", "g": "ĝğġģ", "h": "ĥ", "i": "ìíîïĩīĭį", "j": "ĵ",
		"k": "ķ", "l": "ĺļľ", "n": "ñńņň", "o": "òóôõöōŏőơ", "r": "ŕŗř", "s": "śŝşšș", "t": "ţťț", "u": "ùúûüũūŭůűųư",
		"w": "ŵẁẃẅ", "y": "ýÿŷỳ", "z": "źżž",
	} {
		for _, r := range marked {
			m[r] = plain
		}
	}
	return m
}()

// slug returns the id that a name stands for. It is not ok if the name has letters that slug cannot spell, or if
// nothing is left: half a name would be a bad name for years of history.
func slug(name string) (string, bool) {
	var b strings.Builder
	gap := false
	for _, r := range strings.ToLower(name) {
		text := plainLetters[r]
		switch {
		case r >= 'a' && r <= 'z' || r >= '0' && r <= '9':
			text = string(r)
		case text != "", unicode.Is(unicode.Mn, r), r == '\'', r == '’':
		case unicode.IsLetter(r), unicode.IsNumber(r):
			return "", false
		default:
			gap = true
		}
		if text == "" {
			continue
		}
		if gap && b.Len() > 0 {
			b.WriteByte('-')
		}
		gap = false
		b.WriteString(text)
	}
	return b.String(), b.Len() > 0 && b.Len() <= longestSlug
}

// identity reads the name and the id of a site, ring or controller.
func (s *section) identity() (name, id string, ok bool) {
	name, named := s.text("name")
	if named {
		named = s.checkName(name)
	}
	id, given := s.text("id")
	if given {
		return name, id, s.checkID(id) && named
	}
	if s.m.Has("id") || !named {
		return name, "", false
	}
	id, ok = slug(name)
	if !ok {
		s.doc.Faultf(s.at("name"), "no id can be made from the name %s; give it an id of lower-case letters, digits and hyphens", quoted(name))
	}
	return name, id, ok
}

func (s *section) checkName(name string) bool {
	if len(name) > 120 {
		s.doc.Faultf(s.at("name"), "name has %d bytes; at most 120 fit on pages and labels", len(name))
		return false
	}
	if strings.ContainsFunc(name, unicode.IsControl) {
		s.doc.Faultf(s.at("name"), "name has a line break or another control character")
		return false
	}
	return true
}

func (s *section) checkID(id string) bool {
	if slugText.MatchString(id) && len(id) <= longestSlug {
		return true
	}
	hint := ""
	if last := id[strings.LastIndexByte(id, '/')+1:]; last != id && slugText.MatchString(last) {
		hint = "; write the last part alone: " + last
	} else if better, ok := slug(id); ok && quoted(id) != pemText && quoted(id) != secretText {
		hint = "; write " + better
	}
	s.doc.Faultf(s.at("id"), "id %s must be of lower-case letters, digits and single hyphens, at most %d of them%s", quoted(id), longestSlug, hint)
	return false
}

// These stand in messages for what should not be in the file at all.
const (
	pemText    = "PEM text"
	secretText = "a secret"
)

// quoted quotes a short piece of the file for a message. Messages go into logs, so a key that somebody pasted does not.
func quoted(s string) string {
	switch {
	case strings.Contains(s, "-----BEGIN"):
		return pemText
	case strings.Contains(s, "whsec_"):
		return secretText
	}
	if len(s) > 60 {
		s = strings.ToValidUTF8(s[:57], "") + "..."
	}
	return strconv.Quote(s)
}
