package fleet

import (
	"math/big"
	"regexp"
	"slices"
	"strings"

	"gopkg.in/yaml.v3"

	"ringwarden/fleet/userfile"
)

var amountText = regexp.MustCompile(`^([-+]?(?:0|[1-9][0-9]{0,17})(?:\.[0-9]{1,18})?(?:[eE][-+]?[0-9]{1,2})?)\s*(.*)$`)

// exactAmount returns an amount such as "48 V" in its base unit, or nil if it is none.
func exactAmount(s string) *big.Rat {
	m := amountText.FindStringSubmatch(s)
	if m == nil {
		return nil
	}
	number, _ := new(big.Rat).SetString(m[1])
	u, ok := ParseUnit(m[2])
	if !ok {
		return nil
	}
	number.Mul(number, u.Mul)
	return number.Add(number, u.Add)
}

// amount reads a number with its unit, such as 48 V, into the base unit. Every way to get it wrong has its own
// message, since people copy these from data sheets and meters.
func amount(d *userfile.Document, n *yaml.Node, what string, f amountForm) (float64, bool) {
	low, high := f.bounds()
	v, ok := readAmount(d, n, what, f.unit, f.example)
	if !ok {
		return 0, false
	}
	if v.Cmp(low) < 0 || v.Cmp(high) > 0 {
		d.Faultf(n, "%s is %s; it must be from %s to %s", what, n.Value, f.min, f.max)
		return 0, false
	}
	return toFloat(v), true
}

// Amount reads a number with its unit, such as 48 V, from a person's file into the base unit. Min, max and example are
// amounts as people write them, min and max inclusive.
func Amount(d *userfile.Document, n *yaml.Node, what string, unit Unit, min, max, example string) (float64, bool) {
	return amount(d, n, what, amountForm{unit, min, max, example})
}

func toFloat(v *big.Rat) float64 {
	x, _ := v.Float64() // the nearest one: 53 bits are enough for every reading
	return x
}

func readAmount(d *userfile.Document, n *yaml.Node, what string, unit Unit, example string) (*big.Rat, bool) {
	if n.Kind != yaml.ScalarNode {
		d.Faultf(n, "%s must be a number with its unit, such as %s", what, example)
		return nil, false
	}
	s := strings.TrimSpace(n.Value)
	m := amountText.FindStringSubmatch(s)
	if m == nil {
		d.Faultf(n, "%s must be a number with its unit, such as %s, not %s%s", what, example, quoted(s), numberHint(s))
		return nil, false
	}
	if m[2] == "" {
		d.Faultf(n, "%s has no unit; write it with one, such as %s", what, example)
		return nil, false
	}
	known := unitWordsOf(unit)
	_, ok := ParseUnit(m[2])
	switch {
	case !ok && numberHint(s) != "":
		d.Faultf(n, "%s must be a number with its unit, such as %s, not %s%s", what, example, quoted(s), numberHint(s))
	case !ok: // no guess: from MW to mW is one letter
		d.Faultf(n, "unknown unit %s in %s; write it in %s, such as %s", quoted(m[2]), what, strings.Join(known, " or "), example)
	case !slices.Contains(known, m[2]):
		d.Faultf(n, "%s is in %s; it must be in %s, such as %s", what, m[2], strings.Join(known, " or "), example)
	default:
		return exactAmount(s), true
	}
	return nil, false
}

var (
	decimalComma = regexp.MustCompile(`^[-+]?[0-9]+,[0-9]`)
	zeroInFront  = regexp.MustCompile(`^[-+]?0[0-9]`)
)

func numberHint(s string) string {
	switch {
	case decimalComma.MatchString(s):
		return "; write a decimal point, and nothing between thousands"
	case zeroInFront.MatchString(s):
		return "; write it without the leading zero"
	}
	return ""
}

// unitWordsOf lists the words for a base unit. Those with another zero (°F and K for temperatures) are not among them:
// an amount may be a difference, and 5 °F of difference are not what 5 °F on a thermometer are.
func unitWordsOf(base Unit) []string {
	var words []string
	for i := range unitWords {
		if unitWords[i].Base == base && unitWords[i].Add.Sign() == 0 {
			words = append(words, unitWords[i].Word)
		}
	}
	return words
}
