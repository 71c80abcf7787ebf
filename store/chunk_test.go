package store

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// chunkOf folds frames into one chunk and returns its body.
func chunkOf(t testing.TB, frames []fleet.Frame) (chunkKey, []byte, *fleet.Layout) {
	t.Helper()
	var b chunkBuilder
	for i := range frames {
		if !b.takes(&frames[i]) {
			t.Fatalf("frame %d does not go into the chunk", i)
		}
		if err := b.add(&frames[i]); err != nil {
			t.Fatal(err)
		}
	}
	var k coder
	return chunkKey{controller: frames[0].Controller, group: frames[0].Group}, b.encode(&k), b.layout
}

func unchunk(key chunkKey, body []byte, l *fleet.Layout) ([]fleet.Frame, error) {
	var r chunkReader
	var d decoder
	err := r.open(key, body, func(layoutID) (*fleet.Layout, error) {
		if l == nil {
			return nil, errors.New("unknown")
		}
		return l, nil
	}, &d)
	if err != nil {
		return nil, err
	}
	var frames []fleet.Frame
	for f := r.next(); f != nil; f = r.next() {
		frames = append(frames, *f)
	}
	return frames, nil
}

// Rubbish is no chunk, and asks for no more memory than a chunk may have. What does decode is written back the same.
func FuzzChunk(f *testing.F) {
	frame := exampleFrame()
	var some []fleet.Frame
	for i := range 300 {
		c := *frame.Clone()
		c.At = c.At.Add(time.Duration(i) * 10 * time.Second)
		c.Values[0].Raw += uint64(i * i % 700)
		c.Values[0].Number = c.Layout.Points[0].Number(c.Values[0].Raw)
		some = append(some, c)
	}
	key, body, layout := chunkOf(f, some)
	f.Add(body)
	_, one, _ := chunkOf(f, some[:1])
	f.Add(one)
	_, silent, _ := chunkOf(f, []fleet.Frame{{Controller: "a", At: time.Unix(1, 0), Outcome: fleet.Silent, Restamped: true}})
	f.Add(silent)
	f.Fuzz(func(t *testing.T, body []byte) {
		frames, err := unchunk(key, body, layout)
		if err != nil {
			return
		}
		for i := range frames {
			if check(&frames[i]) != nil {
				return // a quality that is none
			}
		}
		_, body, _ = chunkOf(t, frames)
		again, err := unchunk(key, body, layout)
		if err != nil || fmt.Sprint(again) != fmt.Sprint(frames) {
			t.Errorf("wrote %v, read %v, %v", frames, again, err)
		}
	})
}

// Tables of rollups as format 2 had them.
func FuzzTable(f *testing.F) {
	db, err := bbolt.Open("testdata/format2.bbolt", 0, &bbolt.Options{ReadOnly: true})
	if err != nil {
		f.Fatal(err)
	}
	defer db.Close()
	err = db.View(func(tx *bbolt.Tx) error {
		return tx.Bucket(bucketFine).ForEach(func(_, v []byte) error {
			f.Add(bytes.Clone(v[4+1+8:]))
			return nil
		})
	})
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		var u decoder
		w := wire{b: body}
		if rows := u.table(&w, 0); w.bad && rows != nil {
			t.Errorf("%d rows of a table that is damaged", len(rows))
		}
	})
}

// And as they are now: what is written is read back the same, whatever it is.
func FuzzDay(f *testing.F) {
	var k coder
	d := dayOf(time.Unix(1e9, 0), time.UTC)
	rows := d.buckets(Hour)
	for i := range rows {
		rows[i].Count, rows[i].Last, rows[i].Mean, rows[i].Covered = i, float64(i)/10, float64(i)/1000, time.Hour
		rows[i].Stages[fleet.Bulk] = time.Minute
	}
	f.Add(appendDay(nil, d, sumUp(d, rows), rows, &k))
	f.Add(appendDay(nil, d, rows[1], rows[:5], &k))
	rows[3].Mean, rows[4].Min = math.Pi, math.Inf(-1)
	f.Add(appendDay(nil, d, rows[1], rows[2:5], &k))
	f.Fuzz(func(t *testing.T, body []byte) {
		var u decoder
		w := wire{b: body}
		whole, rows := u.day(&w, d)
		if w.bad {
			return
		}
		w = wire{b: appendDay(nil, d, whole, rows, &k)}
		if day, again := u.day(&w, d); !w.done() || fmt.Sprint(day, again) != fmt.Sprint(whole, rows) {
			t.Errorf("wrote %v of %v, read %v of %v", whole, rows, day, again)
		}
	})
}

// Columns of every kind of calm and storm come back, however many rows are read at once.
func TestColumns(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	value := uint64(500)
	for name, next := range map[string]func(i int) uint64{
		"still":   func(int) uint64 { return 7 },
		"walk":    func(int) uint64 { value += r.Uint64N(5) - 2; return value },
		"noise":   func(int) uint64 { return r.Uint64() },
		"seldom":  func(i int) uint64 { return uint64(i / 400) },
		"grid":    func(i int) uint64 { return 1e18 + uint64(i)*10e9 },
		"extreme": func(i int) uint64 { return []uint64{0, math.MaxUint64, 1 << 63}[i%3] },
		"once":    func(i int) uint64 { return map[bool]uint64{true: 9}[i == 0] },
		"late":    func(i int) uint64 { return map[bool]uint64{true: 9}[i == 999] },
	} {
		for transform := byte(ofDelta); transform <= ofMinus; transform++ {
			for _, n := range []int{1, 2, 63, 1000, rowLimit} {
				c := column{transform: transform}
				var want []uint64
				for i := range n {
					want = append(want, next(i))
					c.add(want[i])
				}
				var k coder
				w := wire{b: c.appendTo(nil, &k)}
				var d decoder
				var got columnReader
				if got.open(&w, &d, n); !w.done() {
					t.Fatalf("%s, transform %d, %d rows: the column does not open", name, transform, n)
				}
				for at := 0; at < n; {
					part := make([]uint64, min(n-at, 1+r.IntN(200)))
					got.read(part)
					for i, v := range part {
						if v != want[at+i] {
							t.Fatalf("%s, transform %d, %d rows: row %d is %d, want %d", name, transform, n, at+i, v, want[at+i])
						}
					}
					at += len(part)
				}
			}
		}
	}
}

// Pelkonen et al., Gorilla (PVLDB 8(12), 2015), 4.1.1: points 60, 60, 59, 61 apart have delta of deltas 0, -1, 2, and
// points 60, 60, 121, 59 apart have 0, 61, -62.
func TestDeltaOfDelta(t *testing.T) {
	for _, c := range []struct {
		gaps []uint64
		want []int64
	}{{[]uint64{60, 60, 59, 61}, []int64{0, -1, 2}}, {[]uint64{60, 60, 121, 59}, []int64{0, 61, -62}}} {
		col := column{transform: ofSteps}
		at := uint64(1427162400) // 24 March 2015 02:00:00, the paper's block
		col.add(at)
		for _, g := range c.gaps {
			at += g
			col.add(at)
		}
		w := wire{b: col.changes}
		var got []int64
		for len(w.b) > 0 {
			got = append(got, int64(unzigzag(w.uvarint())))
		}
		if want := append([]int64{0, 60}, c.want...); fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("gaps %v: %v, want 0, the first gap, and %v", c.gaps, got, c.want)
		}
	}
}
