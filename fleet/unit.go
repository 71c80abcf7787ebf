package fleet

import "math/big"

// A Unit is a base unit, by its symbol: what every number downstream of the register map is in.
type Unit string

// The base units. Prometheus and OpenMetrics ask for these (volts, amperes, watts, joules, seconds, celsius).
const (
	Plain              Unit = "" // a pure number
	Volt               Unit = "V"
	Ampere             Unit = "A"
	Watt               Unit = "W"
	Joule              Unit = "J"
	Coulomb            Unit = "C"
	Second             Unit = "s"
	Celsius            Unit = "°C"
	VoltPerCelsiusCell Unit = "V/°C/cell"
	Ratio              Unit = "ratio" // 0 to 1
	Hertz              Unit = "Hz"
	Ohm                Unit = "Ω"
)

// A UnitWord is a unit as people write it in their files.
type UnitWord struct {
	Word string
	Base Unit
	// A value v in this unit is v*Mul + Add in the base unit. Mul is exact.
	Mul *big.Rat
	Add *big.Rat
}

func unitWord(word string, base Unit, mul, add string) UnitWord {
	u := UnitWord{Word: word, Base: base, Mul: new(big.Rat), Add: new(big.Rat)}
	u.Mul.SetString(mul)
	u.Add.SetString(add)
	return u
}

var unitWords = []UnitWord{
	unitWord("V", Volt, "1", "0"), unitWord("mV", Volt, "1/1000", "0"), unitWord("kV", Volt, "1000", "0"),
	unitWord("A", Ampere, "1", "0"), unitWord("mA", Ampere, "1/1000", "0"),
	unitWord("W", Watt, "1", "0"), unitWord("mW", Watt, "1/1000", "0"), unitWord("kW", Watt, "1000", "0"),
	unitWord("J", Joule, "1", "0"), unitWord("kJ", Joule, "1000", "0"), unitWord("MJ", Joule, "1000000", "0"),
	unitWord("Wh", Joule, "3600", "0"), unitWord("kWh", Joule, "3600000", "0"), unitWord("MWh", Joule, "3600000000", "0"),
	unitWord("C", Coulomb, "1", "0"), unitWord("Ah", Coulomb, "3600", "0"), unitWord("mAh", Coulomb, "18/5", "0"),
	unitWord("s", Second, "1", "0"), unitWord("ms", Second, "1/1000", "0"), unitWord("min", Second, "60", "0"),
	unitWord("h", Second, "3600", "0"), unitWord("d", Second, "86400", "0"),
	unitWord("°C", Celsius, "1", "0"), unitWord("degC", Celsius, "1", "0"),
	unitWord("°F", Celsius, "5/9", "-160/9"), unitWord("degF", Celsius, "5/9", "-160/9"),
	unitWord("K", Celsius, "1", "-27315/100"),
	unitWord("V/°C/cell", VoltPerCelsiusCell, "1", "0"), unitWord("mV/°C/cell", VoltPerCelsiusCell, "1/1000", "0"),
	unitWord("V/degC/cell", VoltPerCelsiusCell, "1", "0"), unitWord("mV/degC/cell", VoltPerCelsiusCell, "1/1000", "0"),
	unitWord("ratio", Ratio, "1", "0"), unitWord("%", Ratio, "1/100", "0"),
	unitWord("Hz", Hertz, "1", "0"), unitWord("rpm", Hertz, "1/60", "0"),
	unitWord("Ω", Ohm, "1", "0"), unitWord("ohm", Ohm, "1", "0"), unitWord("mΩ", Ohm, "1/1000", "0"), unitWord("mohm", Ohm, "1/1000", "0"),
}

// ParseUnit returns the unit of a word such as "kWh".
func ParseUnit(word string) (UnitWord, bool) {
	for _, u := range unitWords {
		if u.Word == word {
			return u, true
		}
	}
	return UnitWord{}, false
}

// UnitWords lists the words that [ParseUnit] knows, in a fixed order.
func UnitWords() []string {
	words := make([]string, len(unitWords))
	for i, u := range unitWords {
		words[i] = u.Word
	}
	return words
}
