package fleet

import (
	"slices"
	"strings"
	"time"

	"ringwarden/fleet/userfile"
)

// zone reads a time zone. Names without an area are refused, but for UTC: "EST" and its like are fixed offsets that
// know no daylight-saving days, and "Local" is another zone on each machine.
func (s *section) zone() *time.Location {
	name, ok := s.text("zone")
	if !ok {
		return time.UTC
	}
	if name == "UTC" {
		return time.UTC
	}
	if strings.Contains(name, "/") {
		if zone, err := time.LoadLocation(name); err == nil {
			return zone
		}
	}
	s.doc.Faultf(s.at("zone"), "unknown time zone %s; %s", quoted(name), zoneHint(name))
	return time.UTC
}

// zoneHint looks for the zone that was meant: another case, a missing area, a misspelled city.
func zoneHint(name string) string {
	if strings.EqualFold(name, "UTC") {
		return `did you mean "UTC"?`
	}
	city := name[strings.LastIndexByte(name, '/')+1:]
	city = strings.ReplaceAll(capitals(city), " ", "_")
	areas := strings.Fields("Europe America Africa Asia Australia Pacific Atlantic Indian Antarctica Arctic")
	if area, _, ok := strings.Cut(name, "/"); ok {
		areas = append([]string{capitals(area)}, areas...)
	}
	for _, area := range areas {
		if _, err := time.LoadLocation(area + "/" + city); err == nil {
			return "did you mean " + quoted(area+"/"+city) + "?"
		}
	}
	if guess := userfile.Suggest(name, wellKnownZones); guess != "" {
		return "did you mean " + quoted(guess) + "?"
	}
	cities := make([]string, len(wellKnownZones))
	for i, z := range wellKnownZones {
		cities[i] = z[strings.LastIndexByte(z, '/')+1:]
	}
	if guess := userfile.Suggest(city, cities); guess != "" {
		return "did you mean " + quoted(wellKnownZones[slices.Index(cities, guess)]) + "?"
	}
	return "write an IANA name, Area/City, such as Europe/Dublin, or UTC"
}

// capitals writes each word of a place with a capital, as IANA does in most of its names.
func capitals(s string) string {
	b := []byte(strings.ToLower(s))
	for i := range b {
		if (i == 0 || strings.IndexByte(" _-", b[i-1]) >= 0) && b[i] >= 'a' && b[i] <= 'z' {
			b[i] -= 'a' - 'A'
		}
	}
	return string(b)
}

// wellKnownZones are for suggestions alone: any zone of the machine's or the program's database is accepted.
var wellKnownZones = strings.Fields(`
Africa/Cairo Africa/Casablanca Africa/Johannesburg Africa/Lagos Africa/Nairobi
America/Anchorage America/Argentina/Buenos_Aires America/Bogota America/Chicago America/Denver America/Edmonton
America/Halifax America/Lima America/Los_Angeles America/Mexico_City America/New_York America/Phoenix
America/Puerto_Rico America/Regina America/Santiago America/Sao_Paulo America/St_Johns America/Toronto
America/Vancouver America/Whitehorse America/Winnipeg America/Yellowknife
Asia/Bangkok Asia/Dhaka Asia/Dubai Asia/Hong_Kong Asia/Jakarta Asia/Jerusalem Asia/Karachi Asia/Kathmandu Asia/Kolkata
Asia/Manila Asia/Seoul Asia/Shanghai Asia/Singapore Asia/Tokyo
Atlantic/Azores Atlantic/Canary Atlantic/Reykjavik
Australia/Adelaide Australia/Brisbane Australia/Darwin Australia/Hobart Australia/Melbourne Australia/Perth Australia/Sydney
Europe/Amsterdam Europe/Athens Europe/Berlin Europe/Brussels Europe/Bucharest Europe/Copenhagen Europe/Dublin
Europe/Helsinki Europe/Istanbul Europe/Lisbon Europe/London Europe/Madrid Europe/Oslo Europe/Paris Europe/Prague
Europe/Rome Europe/Stockholm Europe/Vienna Europe/Warsaw Europe/Zurich
Indian/Maldives Pacific/Auckland Pacific/Fiji Pacific/Honolulu`)
