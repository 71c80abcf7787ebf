package registermap_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"testing"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// A payloadCase is one value with the registers that hold it. Floats are the whole number of their bits.
type payloadCase struct {
	Type      string   `json:"type"`
	Words     string   `json:"words"`
	Value     string   `json:"value"`
	Registers []uint16 `json:"registers"`
}

// An independent library, pymodbus of Debian's python3-pymodbus, encodes and decodes random values of every type in every
// word order just as this package does.
func TestPymodbusAgrees(t *testing.T) {
	const python = "/usr/bin/python3" // Debian's own, which has Debian's packages
	if out, err := exec.Command(python, "-c", "import pymodbus.payload").CombinedOutput(); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("pymodbus is missing: %v\n%s", err, out)
		}
		t.Skipf("left out: encodings against pymodbus (install python3-pymodbus): %v", err)
	}
	random := rand.New(rand.NewPCG(1, 2))
	var cases []payloadCase
	for _, ty := range registermap.Types()[1:] {
		for _, order := range registermap.Orders() {
			if !takes(ty, order) {
				continue
			}
			for range 100 {
				cases = append(cases, randomCase(t, random, ty, order))
			}
		}
	}
	for i, theirs := range pymodbus(t, python, cases) {
		ours := cases[i]
		if fmt.Sprint(theirs.Registers) != fmt.Sprint(ours.Registers) {
			t.Errorf("%s %s %s: pymodbus encodes %04x, we %04x", ours.Type, ours.Words, ours.Value, theirs.Registers, ours.Registers)
		}
		if theirs.Value != ours.Value {
			t.Errorf("%s %s %04x: pymodbus decodes %s, we encoded %s", ours.Type, ours.Words, ours.Registers, theirs.Value, ours.Value)
		}
		if got := textOf(decode(t, entryOf(ours), theirs.Registers...), ours.Type); got != ours.Value {
			t.Errorf("%s %s %04x: we decode %s, pymodbus encoded %s", ours.Type, ours.Words, theirs.Registers, got, ours.Value)
		}
	}
}

// takes reports whether a word order has a meaning for a type in both programs.
func takes(ty registermap.Type, order registermap.Order) bool {
	switch ty {
	case registermap.U16, registermap.S16, registermap.BCD16, registermap.Text:
		return order == registermap.Big
	}
	return true
}

func entryOf(c payloadCase) string {
	entry := "type: " + c.Type
	if c.Type == "text" {
		return entry + ", length: " + strconv.Itoa(len(c.Registers))
	}
	if len(c.Registers) > 1 {
		entry += ", words: " + c.Words
	}
	return entry
}

// randomCase draws a value and encodes it.
func randomCase(t *testing.T, random *rand.Rand, ty registermap.Type, order registermap.Order) payloadCase {
	t.Helper()
	c := payloadCase{Type: ty.String(), Words: order.String(), Registers: make([]uint16, lengthOf(ty))}
	for {
		for i := range c.Registers {
			c.Registers[i] = uint16(random.Uint32())
			switch ty {
			case registermap.Text:
				c.Registers[i] = uint16(random.IntN(94)+33)<<8 | uint16(random.IntN(94)+33)
			case registermap.BCD16, registermap.BCD32:
				c.Registers[i] = uint16(random.IntN(10)<<12 | random.IntN(10)<<8 | random.IntN(10)<<4 | random.IntN(10))
			}
		}
		if v := decode(t, entryOf(c), c.Registers...); v.Quality == fleet.Good { // not a number and infinity have no value
			c.Value = textOf(v, c.Type)
			c.Registers = encode(t, entryOf(c), v)
			return c
		}
	}
}

func lengthOf(ty registermap.Type) int {
	switch ty {
	case registermap.Text:
		return 5
	case registermap.U64, registermap.S64, registermap.F64:
		return 4
	case registermap.U16, registermap.S16, registermap.BCD16:
		return 1
	}
	return 2
}

func textOf(v fleet.Value, ty string) string {
	switch ty {
	case "text":
		return v.Text
	case "s16", "s32", "s64":
		return strconv.FormatInt(int64(v.Raw), 10)
	}
	return strconv.FormatUint(v.Raw, 10)
}

// encode writes a value to the only point of an image and returns its registers.
func encode(t *testing.T, entry string, v fleet.Value) []uint16 {
	t.Helper()
	m := parse(t, "  p: {at: holding 0, "+entry+"}")
	im := m.NewImage()
	if err := im.Set(0, v); err != nil {
		t.Fatal(err)
	}
	words := make([]uint16, m.Points()[0].Length)
	if err := im.ReadRegisters(registermap.Holding, 0, uint16(len(words)), words); err != nil {
		t.Fatal(err)
	}
	return words
}

func pymodbus(t *testing.T, python string, cases []payloadCase) []payloadCase {
	t.Helper()
	var in, stderr bytes.Buffer
	for _, c := range cases {
		if err := json.NewEncoder(&in).Encode(c); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.CommandContext(t.Context(), python, "testdata/payload.py")
	cmd.Stdin, cmd.Stderr = &in, &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, stderr.String())
	}
	answers := make([]payloadCase, 0, len(cases))
	for dec := json.NewDecoder(bytes.NewReader(out)); dec.More(); {
		var c payloadCase
		if err := dec.Decode(&c); err != nil {
			t.Fatal(err)
		}
		answers = append(answers, c)
	}
	if len(answers) != len(cases) {
		t.Fatalf("pymodbus answered %d of %d cases", len(answers), len(cases))
	}
	return answers
}
