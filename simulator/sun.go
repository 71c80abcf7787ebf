package simulator

import (
	"math"
	"time"
)

// A direction is a vector in a place's own frame: east, north, up.
type direction struct{ east, north, up float64 }

func (d direction) dot(e direction) float64 { return d.east*e.east + d.north*e.north + d.up*e.up }

// facing returns the normal of a panel that is tilted and faces an azimuth (degrees clockwise from north).
func facing(azimuth, tilt float64) direction {
	sinA, cosA := math.Sincos(radians(azimuth))
	sinT, cosT := math.Sincos(radians(tilt))
	return direction{east: sinA * sinT, north: cosA * sinT, up: cosT}
}

// sunAt returns the direction of the sun at a place given in degrees north and east. It follows the low-precision
// formulas of the Astronomical Almanac (from memory: good to 0.01 degrees from 1950 to 2050), without refraction.
func sunAt(at time.Time, latitude, longitude float64) direction {
	days := float64(at.Unix()-946728000) / 86400 // since 2000-01-01 12:00 UTC
	meanLongitude := 280.460 + 0.9856474*days
	anomaly := radians(357.528 + 0.9856003*days)
	ecliptic := radians(meanLongitude + 1.915*math.Sin(anomaly) + 0.020*math.Sin(2*anomaly))
	obliquity := radians(23.439 - 0.0000004*days)
	sinE, cosE := math.Sincos(ecliptic)
	ascension := math.Atan2(math.Cos(obliquity)*sinE, cosE)
	sinD := math.Sin(obliquity) * sinE
	cosD := math.Sqrt(1 - sinD*sinD)
	sidereal := 280.46062 + 360.98564737*days + longitude
	sinH, cosH := math.Sincos(radians(math.Mod(sidereal, 360)) - ascension)
	sinL, cosL := math.Sincos(radians(latitude))
	return direction{
		east:  -cosD * sinH,
		north: sinD*cosL - cosD*cosH*sinL,
		up:    sinD*sinL + cosD*cosH*cosL,
	}
}

// clearSky returns the irradiance on level ground under a clear sky in W/m², from the sine of the sun's elevation:
// Haurwitz's formula of 1945 (from memory).
func clearSky(up float64) float64 {
	if up <= 0 {
		return 0
	}
	return 1098 * up * math.Exp(-0.057/up)
}

// longitudeOf guesses where a time zone lies, in degrees east: 15 for each hour of its standard time.
func longitudeOf(zone *time.Location, year int) float64 {
	_, january := time.Date(year, 1, 1, 12, 0, 0, 0, zone).Zone()
	_, july := time.Date(year, 7, 1, 12, 0, 0, 0, zone).Zone()
	return float64(min(january, july)) / 240
}

func radians(degrees float64) float64 { return degrees * math.Pi / 180 }
