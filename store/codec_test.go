package store

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
)

// tick returns one instant's frames of n controllers with the example's layout.
func tick(n int) []fleet.Frame {
	frames := make([]fleet.Frame, n)
	for i := range frames {
		frames[i] = exampleFrame()
		frames[i].Controller = fleet.ControllerID(fmt.Sprintf("site-%d/ring/unit-%d", i/5, i%5))
	}
	return frames
}

// Four values fill a page and none is larger: larger ones would be written again and again.
func TestValuesFitQuarterPages(t *testing.T) {
	p, err := pack(tick(200))
	if err != nil {
		t.Fatal(err)
	}
	for i, parcel := range p.parcels {
		size := len(parcel.value)
		if size > valueTarget || i+1 < len(p.parcels) && size < valueTarget*9/10 {
			t.Errorf("value %d of %d has %d bytes, want just under %d", i, len(p.parcels), size, valueTarget)
		}
	}
	if page := pageHeader + 4*(elementSize+journalKeySize+valueTarget); page > pageSize {
		t.Errorf("four full values make a page of %d bytes", page)
	}
}

// CRC-32C of 32 zero bytes and of 32 bytes of ones (RFC 3720, B.4; the values are from memory), and of the digits 1 to 9
// (the usual check value of catalogues).
func TestChecksum(t *testing.T) {
	for want, b := range map[uint32][]byte{
		0x8a9136aa: make([]byte, 32), 0x62a8ab43: bytes.Repeat([]byte{0xff}, 32), 0xe3069283: []byte("123456789"),
	} {
		if got := checksum(b[:4], b[4:]); got != want {
			t.Errorf("checksum(% x) = %08x, want %08x", b, got, want)
		}
	}
}

// A plain value costs its integer and no more.
func TestPlainValuesAreSmall(t *testing.T) {
	points := []fleet.Point{
		{Name: "volts", Mul: 1, Div: 10}, {Name: "amperes", Form: fleet.FormSigned, Mul: 1, Div: 10}, {Name: "watts", Mul: 1, Div: 1},
	}
	values := []fleet.Value{
		{Number: 50.1, Raw: 501, Quality: fleet.Good},
		{Number: -0.3, Raw: 0xfffffffffffffffd, Quality: fleet.Good}, // -3
		{Number: 7, Raw: 7, Quality: fleet.Good},
	}
	got := appendValues(nil, points, values)
	if want := []byte{allPlain, 0xf5, 0x03, 0x05, 0x07}; !bytes.Equal(got, want) {
		t.Errorf("appendValues = % x, want % x", got, want)
	}
}

// Whoever changes a map keeps what was recorded with the old one: the layout is in the file, not in the map.
func TestLayoutsOutliveMaps(t *testing.T) {
	points := []fleet.Point{
		{
			Name: "stage", Quantity: fleet.QuantityStage, Mul: 1, Div: 1, Bits: 8,
			Names: []fleet.Name{{Code: 3, Word: "bulk"}, {Code: 1 << 63, Word: "float"}},
		},
		{Name: "faults", Flags: []fleet.Name{{Code: 31, Word: "ground-fault"}}, Mul: -0.1, Div: 3, Add: math.Inf(1), Counter: true},
		{Name: "panel", Unit: fleet.Volt, ScaledBy: "exponent", Form: fleet.FormSigned},
	}
	want := fleet.NewLayout(points)
	got, ok := decodeLayout(appendLayout(nil, want))
	if !ok || !reflect.DeepEqual(got, want) {
		t.Errorf("decodeLayout(appendLayout) = %+v, %v, want %+v", got, ok, want)
	}
	unknown := appendLayout(nil, fleet.NewLayout([]fleet.Point{{Name: "x", Quantity: fleet.Uptime, Unit: fleet.Second}}))
	unknown = bytes.Replace(unknown, []byte("uptime"), []byte("tuning"), 1)
	got, ok = decodeLayout(unknown)
	if !ok || got.Points[0].Quantity != fleet.QuantityNone || got.Points[0].Unit != fleet.Second {
		t.Errorf("a layout with an unknown quantity = %+v, %v, want it without the quantity", got, ok)
	}
}

// Frames whose layout is lost are lost, and said to be.
func TestMissingLayout(t *testing.T) {
	p, err := pack(tick(1))
	if err != nil {
		t.Fatal(err)
	}
	gone := errors.New("gone")
	u := unpacker{layout: func(layoutID) (*fleet.Layout, error) { return nil, gone }}
	if frames, err := u.unpack(nil, time.Time{}, p.parcels[0].body()); !errors.Is(err, gone) || len(frames) != 0 {
		t.Errorf("unpack = %v, %v", frames, err)
	}
}

// The fast way to one controller's frames finds what the slow way does, whatever names have in common.
func TestOnlyOneController(t *testing.T) {
	ids := []fleet.ControllerID{"a", "ab", "abc", "abcd/x", "abd", "b", "mill/north/alder", "mill/north/alder-2", "mill/north/birch", "\xff"}
	r := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		var frames []fleet.Frame
		for range 1 + r.IntN(12) {
			frames = append(frames, fleet.Frame{
				Controller: ids[r.IntN(len(ids))], Group: fleet.Groups[r.IntN(len(fleet.Groups))], At: time.Unix(1, 0).UTC(), Outcome: fleet.Silent,
			})
		}
		p, err := pack(frames)
		if err != nil {
			t.Fatal(err)
		}
		for _, id := range append(ids, "", "0", "abcd", "zzz") {
			one, all := unpacker{only: []byte(id)}, unpacker{}
			got, want := []fleet.Frame(nil), []fleet.Frame(nil)
			for _, parcel := range p.parcels {
				some, err := one.unpack(nil, parcel.at, parcel.body())
				if err != nil {
					t.Fatal(err)
				}
				every, err := all.unpack(nil, parcel.at, parcel.body())
				if err != nil {
					t.Fatal(err)
				}
				got = append(got, some...)
				want = append(want, slices.DeleteFunc(every, func(f fleet.Frame) bool { return f.Controller != id })...)
			}
			if fmt.Sprint(got) != fmt.Sprint(want) {
				t.Fatalf("of %v alone %q has %v, want %v", frames, id, got, want)
			}
		}
	}
}

// Rubbish is no frame, and asks for no more memory than it has bytes. What does decode is written back the same.
func FuzzUnpack(f *testing.F) {
	layouts := make(map[layoutID]*fleet.Layout)
	for _, frames := range [][]fleet.Frame{tick(30), {exampleFrame()}, {{Controller: "a", At: time.Unix(1, 0), Outcome: fleet.Silent}}} {
		p, err := pack(frames)
		if err != nil {
			f.Fatal(err)
		}
		for id, l := range p.layouts {
			layouts[id] = l
		}
		for _, parcel := range p.parcels {
			f.Add(parcel.body())
		}
	}
	at := time.Unix(1, 0).UTC()
	u := unpacker{layout: func(id layoutID) (*fleet.Layout, error) {
		if l := layouts[id]; l != nil {
			return l, nil
		}
		return nil, errors.New("unknown")
	}}
	one := unpacker{layout: u.layout, only: []byte("mill/north/alder")}
	f.Fuzz(func(t *testing.T, body []byte) {
		_, _ = one.unpack(nil, at, body) // whatever it finds, it does not panic
		frames, err := u.unpack(nil, at, body)
		if err != nil {
			return
		}
		p, err := pack(frames)
		if errors.Is(err, ErrInvalid) {
			return // an empty id, a quality that is none
		} else if err != nil {
			t.Fatal(err)
		}
		var again []fleet.Frame
		for _, parcel := range p.parcels {
			if again, err = u.unpack(again, at, parcel.body()); err != nil {
				t.Fatal(err)
			}
		}
		slices.SortStableFunc(frames, func(a, b fleet.Frame) int { return compareFrames(&a, &b) })
		if fmt.Sprint(again) != fmt.Sprint(frames) {
			t.Errorf("wrote %v, read %v", frames, again)
		}
	})
}

// The same for layouts and alarms.
func FuzzRecords(f *testing.F) {
	f.Add(appendLayout(nil, exampleFrame().Layout))
	alarm := fleet.Alarm{
		AlarmKey: fleet.AlarmKey{Kind: "link-down", Subject: "x"}, Since: time.Unix(1, 2), Text: strings.Repeat("x", 200),
		Figures: []fleet.Figure{{Name: "silence", Value: 60, Unit: fleet.Second}},
	}
	f.Add(appendChange(nil, &fleet.Change{Who: "kim", Why: "because", Alarm: alarm}))
	f.Add(appendStanding(nil, &alarm))
	f.Fuzz(func(t *testing.T, body []byte) {
		if l, ok := decodeLayout(body); ok {
			if again, ok := decodeLayout(appendLayout(nil, l)); !ok || fmt.Sprint(again.Points) != fmt.Sprint(l.Points) {
				t.Errorf("wrote %v, read %v, %v", l, again, ok)
			}
		}
		if c, ok := decodeChange(time.Time{}, body); ok {
			if again, ok := decodeChange(time.Time{}, appendChange(nil, &c)); !ok || fmt.Sprint(again) != fmt.Sprint(c) {
				t.Errorf("wrote %v, read %v, %v", c, again, ok)
			}
		}
		if a, ok := decodeStanding(body); ok {
			if again, ok := decodeStanding(appendStanding(nil, &a)); !ok || fmt.Sprint(again) != fmt.Sprint(a) {
				t.Errorf("wrote %v, read %v, %v", a, again, ok)
			}
		}
	})
}
