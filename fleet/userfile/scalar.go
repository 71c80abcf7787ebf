package userfile

import (
	"math/big"
	"regexp"
	"strconv"
	"strings"
	"time"

	"gopkg.in/yaml.v3"
)

// Text reads a text of at least one character.
func (d *Document) Text(n *yaml.Node, what string) (string, bool) {
	s, ok := d.scalar(n, what, "a text")
	if ok && strings.TrimSpace(s) == "" {
		d.Faultf(n, "%s is empty", what)
		return "", false
	}
	return s, ok
}

// Word reads one of the known words.
func (d *Document) Word(n *yaml.Node, what string, known ...string) (string, bool) {
	s, ok := d.scalar(n, what, "one of "+strings.Join(known, ", "))
	if !ok {
		return "", false
	}
	if !contains(known, s) {
		d.Faultf(n, "unknown %s %s%s", what, quote(s), hint(s, known))
		return "", false
	}
	return s, true
}

// Truth reads true or false; yes, no, on and off are refused, since YAML 1.1 and 1.2 read them differently.
func (d *Document) Truth(n *yaml.Node, what string) (value, ok bool) {
	s, ok := d.scalar(n, what, "true or false")
	switch {
	case !ok:
		return false, false
	case n.Style&(yaml.SingleQuotedStyle|yaml.DoubleQuotedStyle) == 0 && s == "true":
		return true, true
	case n.Style&(yaml.SingleQuotedStyle|yaml.DoubleQuotedStyle) == 0 && s == "false":
		return false, true
	}
	d.Faultf(n, "%s must be true or false, not %s", what, quote(s))
	return false, false
}

var (
	decimalInteger = regexp.MustCompile(`^[-+]?(0|[1-9][0-9]*)$`)
	hexInteger     = regexp.MustCompile(`^0x[0-9a-fA-F]+$`)
	decimalNumber  = regexp.MustCompile(`^[-+]?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][-+]?[0-9]{1,3})?$`)
	leadingZero    = regexp.MustCompile(`^[-+]?0[0-9]`)
)

// Integer reads a whole number, decimal or 0x hexadecimal, from min to max.
func (d *Document) Integer(n *yaml.Node, what string, min, max int64) (int64, bool) {
	s, ok := d.scalar(n, what, "a whole number")
	if !ok {
		return 0, false
	}
	v, err := int64(0), error(nil)
	switch {
	case decimalInteger.MatchString(s):
		v, err = strconv.ParseInt(s, 10, 64)
	case hexInteger.MatchString(s):
		v, err = strconv.ParseInt(s[2:], 16, 64)
	default:
		d.Faultf(n, "%s must be a whole number, not %s%s", what, quote(s), zeroHint(s))
		return 0, false
	}
	if err != nil || v < min || v > max {
		d.Faultf(n, "%s is %s; it must be from %d to %d", what, s, min, max)
		return 0, false
	}
	return v, true
}

// Bits reads an unsigned whole number of up to 64 bits, decimal or 0x hexadecimal.
func (d *Document) Bits(n *yaml.Node, what string, width int) (uint64, bool) {
	s, ok := d.scalar(n, what, "a whole number")
	if !ok {
		return 0, false
	}
	v, err := uint64(0), error(nil)
	switch {
	case decimalInteger.MatchString(s) && s[0] != '-':
		v, err = strconv.ParseUint(strings.TrimPrefix(s, "+"), 10, 64)
	case hexInteger.MatchString(s):
		v, err = strconv.ParseUint(s[2:], 16, 64)
	default:
		d.Faultf(n, "%s must be a whole number that is not negative, not %s%s", what, quote(s), zeroHint(s))
		return 0, false
	}
	if err != nil || width < 64 && v>>width != 0 {
		d.Faultf(n, "%s is %s, which does not fit into %d bits", what, s, width)
		return 0, false
	}
	return v, true
}

// Decimal reads a number exactly as it is written.
func (d *Document) Decimal(n *yaml.Node, what string) (*big.Rat, bool) {
	s, ok := d.scalar(n, what, "a number")
	if !ok {
		return nil, false
	}
	if !decimalNumber.MatchString(s) {
		d.Faultf(n, "%s must be a number such as 12 or 0.1, not %s%s", what, quote(s), zeroHint(s))
		return nil, false
	}
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		d.Faultf(n, "%s must be a number, not %s", what, quote(s))
	}
	return r, ok
}

// Number reads a number from min to max.
func (d *Document) Number(n *yaml.Node, what string, min, max float64) (float64, bool) {
	r, ok := d.Decimal(n, what)
	if !ok {
		return 0, false
	}
	v, _ := r.Float64()
	if v < min || v > max {
		d.Faultf(n, "%s is %s; it must be from %g to %g", what, n.Value, min, max)
		return 0, false
	}
	return v, true
}

// Duration reads a time span with its unit, such as 15ms, 2s, 10m, 1h30m or 7d, from min to max.
func (d *Document) Duration(n *yaml.Node, what string, min, max time.Duration) (time.Duration, bool) {
	s, ok := d.scalar(n, what, "a time span such as 15ms, 2s or 10m")
	if !ok {
		return 0, false
	}
	v, err := parseDuration(s)
	if err != nil {
		d.Faultf(n, "%s must be a time span with its unit, such as 15ms, 2s or 10m, not %s", what, quote(s))
		return 0, false
	}
	if v < min || v > max {
		d.Faultf(n, "%s is %s; it must be from %s to %s", what, s, Span(min), Span(max))
		return 0, false
	}
	return v, true
}

// Span writes a time span as people do: 5m, not 5m0s.
func Span(d time.Duration) string {
	const day = 24 * time.Hour
	if d >= 2*day && d%day == 0 {
		return strconv.Itoa(int(d/day)) + "d"
	}
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = s[:len(s)-2]
	}
	if strings.HasSuffix(s, "h0m") {
		s = s[:len(s)-2]
	}
	return s
}

func parseDuration(s string) (time.Duration, error) {
	days, isDays := strings.CutSuffix(s, "d")
	if n, err := strconv.ParseUint(days, 10, 16); isDays && err == nil {
		return time.Duration(n) * 24 * time.Hour, nil
	}
	return time.ParseDuration(s)
}

func (d *Document) scalar(n *yaml.Node, what, expected string) (string, bool) {
	if n = resolve(n); n.Kind != yaml.ScalarNode || n.Tag == "!!null" {
		d.Faultf(n, "%s must be %s, not %s", what, expected, describe(n))
		return "", false
	}
	return n.Value, true
}

func zeroHint(s string) string {
	if leadingZero.MatchString(s) {
		return "; write it without the leading zero (some programs read that as octal)"
	}
	return ""
}
