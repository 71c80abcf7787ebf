package reference

import (
	"context"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/storage"
	"github.com/prometheus/prometheus/tsdb"
	"github.com/prometheus/prometheus/tsdb/chunkenc"
	"golang.org/x/sys/unix"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

var start = time.Date(2026, 6, 21, 0, 0, 0, 0, time.UTC)

func bar(name, format string, value float64, unit, want string) {
	fmt.Printf("bar store-%s = "+format+" %s (want %s)\n", name, value, unit, want)
}

// A peer is the general engine with one series for each point, as one would use it: values in base units, a commit of
// its own for each tick. It does not flush its log to the disk at each commit.
type peer struct {
	db   *tsdb.DB
	dir  string
	refs []storage.SeriesRef
	sets []labels.Labels
}

func openPeer(b *testing.B, f *storetest.Fleet) *peer {
	b.Helper()
	o := tsdb.DefaultOptions()
	o.RetentionDuration = 0
	dir := b.TempDir()
	db, err := tsdb.Open(dir, slog.New(slog.DiscardHandler), nil, o, nil)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { db.Close() })
	p := &peer{db: db, dir: dir}
	for _, id := range f.Controllers() {
		for k := range f.Layout.Points {
			p.sets = append(p.sets, labels.FromStrings(labels.MetricName, f.Layout.Points[k].Name, "controller", string(id)))
		}
	}
	p.refs = make([]storage.SeriesRef, len(p.sets))
	return p
}

func (p *peer) append(b *testing.B, frames []fleet.Frame) {
	b.Helper()
	a := p.db.Appender(context.Background())
	at := frames[0].At.UnixMilli()
	i := 0
	for c := range frames {
		for k := range frames[c].Values {
			ref, err := a.Append(p.refs[i], p.sets[i], at, frames[c].Values[k].Number)
			if err != nil {
				b.Fatal(err)
			}
			p.refs[i] = ref
			i++
		}
	}
	if err := a.Commit(); err != nil {
		b.Fatal(err)
	}
}

// settle writes everything as blocks, which is the engine's smallest form.
func (p *peer) settle(b *testing.B) {
	b.Helper()
	if err := p.db.Compact(context.Background()); err != nil {
		b.Fatal(err)
	}
	h := p.db.Head()
	if err := p.db.CompactHead(tsdb.NewRangeHead(h, h.MinTime(), h.MaxTime())); err != nil {
		b.Fatal(err)
	}
}

// blocks returns the bytes of the blocks alone, without the log.
func (p *peer) blocks() (n int64) {
	_ = filepath.WalkDir(p.dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.Contains(path, "wal") || strings.Contains(path, "chunks_head") {
			return err
		}
		if info, err := d.Info(); err == nil {
			n += info.Size()
		}
		return nil
	})
	return n
}

// read sums one point of one controller.
func (p *peer) read(b *testing.B, id fleet.ControllerID, point string, from, to time.Time) (n int, sum float64) {
	b.Helper()
	q, err := p.db.Querier(from.UnixMilli(), to.UnixMilli()-1)
	if err != nil {
		b.Fatal(err)
	}
	defer q.Close()
	set := q.Select(context.Background(), false, nil,
		labels.MustNewMatcher(labels.MatchEqual, labels.MetricName, point),
		labels.MustNewMatcher(labels.MatchEqual, "controller", string(id)))
	for set.Next() {
		it := set.At().Iterator(nil)
		for it.Next() != chunkenc.ValNone {
			_, v := it.At()
			sum += v
			n++
		}
	}
	if set.Err() != nil {
		b.Fatal(set.Err())
	}
	return n, sum
}

func openStore(b *testing.B) (*store.Store, string) {
	b.Helper()
	path := filepath.Join(b.TempDir(), "ringwarden.db")
	s, err := store.Open(path, store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { s.Close() })
	return s, path
}

// read sums one point of one controller.
func read(b *testing.B, s *store.Store, id fleet.ControllerID, point string, from, to time.Time) (n int, sum float64) {
	b.Helper()
	for run, err := range s.Runs(context.Background(), id, point, from, to) {
		if err != nil {
			b.Fatal(err)
		}
		for _, v := range run.Number {
			sum += v
		}
		n += len(run.At)
	}
	return n, sum
}

// best returns the shortest of some runs.
func best(runs int, f func()) time.Duration {
	shortest := time.Duration(1 << 62)
	for range runs {
		begin := time.Now()
		f()
		shortest = min(shortest, time.Since(begin))
	}
	return shortest
}

// deviceWritten returns what the kernel counts as this process's writing to disks; it counts too much where the page
// cache works in large pieces.
func deviceWritten() (n int64) {
	b, _ := os.ReadFile("/proc/self/io")
	_, rest, _ := strings.Cut(string(b), "\nwrite_bytes: ")
	_, _ = fmt.Sscan(rest, &n)
	return n
}

// A disk is where the kernel keeps the counts of a disk, or of a part of one.
type disk string

// diskOf returns the disk that a file lies on.
func diskOf(b *testing.B, path string) disk {
	b.Helper()
	var st unix.Stat_t
	if err := unix.Stat(path, &st); err != nil {
		b.Fatal(err)
	}
	d := disk(fmt.Sprintf("/sys/dev/block/%d:%d/stat", unix.Major(st.Dev), unix.Minor(st.Dev)))
	if _, err := os.Stat(string(d)); err != nil {
		b.Fatalf("the disk under the folder for temporary files has no count; set TMPDIR to a folder on one that has: %v", err)
	}
	return d
}

// written returns how many bytes the disk was given to write so far: the seventh count is of sectors of 512 bytes
// (the kernel's Documentation/block/stat.rst).
func (d disk) written(b *testing.B) int64 {
	b.Helper()
	text, err := os.ReadFile(string(d))
	if err != nil {
		b.Fatal(err)
	}
	sectors, err := strconv.ParseInt(strings.Fields(string(text))[6], 10, 64)
	if err != nil {
		b.Fatal(err)
	}
	return sectors * 512
}
