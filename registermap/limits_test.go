package registermap_test

import (
	"fmt"
	"strings"
	"testing"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// The largest map that the format allows is read and planned in a moment: a reload must not stop a daemon.
func TestLargestMap(t *testing.T) {
	var b strings.Builder
	b.WriteString("format: 1\nmodel: large\nreads:\n  forbidden: [")
	for i := range registermap.MaxForbidden {
		fmt.Fprintf(&b, "coil %d, ", 60000+2*i)
	}
	b.WriteString("65535]\npoints:\n")
	for i := range registermap.MaxPoints {
		fmt.Fprintf(&b, "  p%d: {at: coil %d}\n", i, i)
	}
	if _, err := registermap.Parse("m.yaml", []byte(b.String())); err == nil || !strings.Contains(err.Error(), "at most 256") {
		t.Errorf("one forbidden range too many: %v", err)
	}
	m, err := registermap.Parse("m.yaml", []byte(strings.Replace(b.String(), ", 65535]", "]", 1)))
	if err != nil {
		t.Fatal(err)
	}
	p := m.Plan(fleet.Normal)
	if len(p.Blocks) != 3 { // 4096 coils by 2000
		t.Errorf("%d blocks, want 3", len(p.Blocks))
	}
	more := strings.Replace(b.String(), ", 65535]", "]", 1) + "  one_more: {at: coil 5000}\n"
	if _, err := registermap.Parse("m.yaml", []byte(more)); err == nil || !strings.Contains(err.Error(), "at most 4096") {
		t.Errorf("one point too many: %v", err)
	}
}

// A point with more codes or absent values than any device has is refused before it makes decoding slow.
func TestTooManyNames(t *testing.T) {
	codes := make([]string, registermap.MaxNames+1)
	for i := range codes {
		codes[i] = fmt.Sprintf("%d: w", i)
	}
	text := "{format: 1, model: m, points: {p: {at: holding 0, type: u16, values: {" + strings.Join(codes, ", ") + "}}," +
		" q: {at: holding 1, type: u16, absent: [" + strings.Repeat("1, ", registermap.MaxAbsent) + "2]}}}"
	_, err := registermap.Parse("m.yaml", []byte(text))
	if err == nil || !strings.Contains(err.Error(), "1025 codes") || !strings.Contains(err.Error(), "17 values") {
		t.Errorf("got %v", err)
	}
}
