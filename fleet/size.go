package fleet

import "strconv"

// Size writes a number of bytes as people say it, in binary units, with three digits at most: 64 MiB, 1.25 GiB.
func Size(bytes int64) string {
	units := []string{"bytes", "KiB", "MiB", "GiB", "TiB"}
	v, i := float64(bytes), 0
	for v >= 1000 && i+1 < len(units) {
		v, i = v/1024, i+1
	}
	digits := 0
	switch {
	case i > 0 && v < 10:
		digits = 2
	case i > 0 && v < 100:
		digits = 1
	}
	text := strconv.FormatFloat(v, 'f', digits, 64)
	if digits > 0 {
		for text[len(text)-1] == '0' {
			text = text[:len(text)-1]
		}
		if text[len(text)-1] == '.' {
			text = text[:len(text)-1]
		}
	}
	return text + " " + units[i]
}
