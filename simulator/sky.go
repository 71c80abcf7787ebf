package simulator

import (
	"math"
	"math/rand/v2"
	"time"
)

// Weather says how cloudy and windy it is.
type Weather string

// The kinds of weather.
const (
	Clear    Weather = "clear"
	Mixed    Weather = "mixed"    // clouds pass
	Overcast Weather = "overcast" // the sun is seldom seen
)

// Weathers lists the words that a scenario may use.
var Weathers = []string{string(Clear), string(Mixed), string(Overcast)}

// climate is what a kind of weather means. The figures are plausible ones of our own.
type climate struct {
	gap, cloud float64 // mean seconds of sunshine and of cloud
	through    float64 // share of the light that a cloud lets through
	wind       float64 // mean m/s at the hub
}

var climates = map[Weather]climate{
	Clear:    {gap: 4 * 3600, cloud: 120, through: 0.8, wind: 5.5},
	Mixed:    {gap: 900, cloud: 420, through: 0.35, wind: 6.5},
	Overcast: {gap: 240, cloud: 5400, through: 0.22, wind: 8},
}

// A sky is the weather over one ring: sun, clouds, wind, water and air. Everything random in it comes from the
// ring's own generator.
type sky struct {
	climate
	latitude, longitude float64
	sun                 direction
	beam, diffuse       float64 // W/m² across the beam, and on level ground from all over the sky, if there were no cloud
	cloudy              bool
	light               float64 // share of the light that comes through
	drift, gust         float64 // m/s around the mean wind: over hours, over a minute
	speed               float64 // m/s
	water               float64 // share of a hydro unit's rated power
	air                 float64 // °C
}

const (
	sunEvery    = 60 // seconds between two looks at the sun's place
	driftTime   = 3 * 3600.0
	gustTime    = 60.0
	waterTime   = 2 * 86400.0
	cloudEdge   = 20.0 // seconds that a cloud's edge takes to pass
	airMean     = 13.0 // °C
	airSwing    = 7.0  // °C either side of the mean
	warmestHour = 15.0 // local solar time
)

func newSky(w Weather, latitude, longitude float64, rng *rand.Rand) sky {
	s := sky{climate: climates[w], latitude: latitude, longitude: longitude, light: 1, water: 0.7}
	s.cloudy = rng.Float64() < s.cloud/(s.gap+s.cloud)
	if s.cloudy {
		s.light = s.through
	}
	s.drift = 1.5 * rng.NormFloat64()
	return s
}

// step moves the weather on by one second. second counts from the simulation's start.
func (s *sky) step(second int64, at func(int64) time.Time, rng *rand.Rand) {
	if second%sunEvery == 0 {
		s.moveSun(at(second))
	}
	mean, target := s.gap, 1.0
	if s.cloudy {
		mean, target = s.cloud, s.through
	}
	if rng.Float64()*mean < 1 {
		s.cloudy = !s.cloudy
	}
	s.light += (target - s.light) / cloudEdge
	s.drift = wander(s.drift, 1.5, driftTime, rng)
	s.gust = wander(s.gust, 0.12*s.speed, gustTime, rng)
	s.speed = max(0, s.wind+s.drift+s.gust)
	s.water = min(0.95, max(0.4, 0.7+wander(s.water-0.7, 0.08, waterTime, rng)))
}

func (s *sky) moveSun(at time.Time) {
	s.sun = sunAt(at, s.latitude, s.longitude)
	level := clearSky(s.sun.up)
	s.diffuse = 0.12 * level
	s.beam = 0
	if s.sun.up > 0.03 { // lower than two degrees the quotient means nothing
		s.beam = 0.88 * level / s.sun.up
	}
	utc := at.UTC()
	hour := float64(utc.Hour()) + float64(utc.Minute())/60 + s.longitude/15
	s.air = airMean + airSwing*math.Cos(2*math.Pi*(hour-warmestHour)/24)
}

// wander is one second of an Ornstein-Uhlenbeck process around 0 with a standard deviation and a memory in seconds.
func wander(x, deviation, memory float64, rng *rand.Rand) float64 {
	return x - x/memory + deviation*math.Sqrt(2/memory)*rng.NormFloat64()
}

// performance is what heat, glass and wires leave of a panel's rated power (IEC 61724-1 calls it performance ratio;
// 0.75 to 0.9 is common practice, no source).
const performance = 0.85

// panel returns the power of an array as a share of its rated power, which belongs to 1000 W/m².
func (s *sky) panel(normal direction) float64 {
	level := s.diffuse
	if across := s.sun.dot(normal); across > 0 {
		level += s.beam * across
	}
	return min(1.1, performance*s.light*level/1000)
}

// rotor returns the power of a wind turbine as a share of its rated power: nothing below 3 m/s, the cube of the speed
// up to 11 m/s, then what its furling leaves (a common shape; no source).
func (s *sky) rotor(exposure float64) float64 {
	v := s.speed * exposure
	if v < 3 {
		return 0
	}
	return min(1, v*v*v/(11*11*11))
}
