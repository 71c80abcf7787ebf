package door

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"testing"
	"time"
)

// What is sent in pieces comes out whole, with the progress that was told in between, twice a second at most; cut anywhere it
// is never taken for whole, unless between two pieces, where the connection itself tells.
func TestPieces(t *testing.T) {
	var sent, got bytes.Buffer
	now := time.Date(2026, 6, 21, 12, 0, 0, 0, time.UTC)
	w := pieceWriter{w: &sent, now: func() time.Time { return now }}
	ends := map[int]bool{0: true}
	for i := range int64(6) {
		if n, err := w.Write([]byte("a row\n")); n != 6 || err != nil {
			t.Fatal(n, err)
		}
		ends[sent.Len()] = true
		w.progress(i, 6)
		ends[sent.Len()] = true
		now = now.Add(tellEvery / 2)
	}
	var told []int64
	all := sent.Bytes()
	n, err := receivePieces(&got, bytes.NewReader(all), func(done, total int64) { told = append(told, done, total) })
	if want := bytes.Repeat([]byte("a row\n"), 6); err != nil || n != 36 || !bytes.Equal(got.Bytes(), want) {
		t.Errorf("got %d bytes %q, %v", n, &got, err)
	}
	if fmt.Sprint(told) != "[0 6 2 6 4 6]" {
		t.Errorf("told %v", told)
	}
	for cut := range all {
		if _, err := receivePieces(io.Discard, bytes.NewReader(all[:cut]), nil); errors.Is(err, io.ErrUnexpectedEOF) == ends[cut] {
			t.Errorf("cut to %d of %d bytes: %v", cut, len(all), err)
		}
	}
	if _, err := receivePieces(io.Discard, bytes.NewReader([]byte("time,controller")), nil); err == nil {
		t.Error("what is no piece was taken")
	}
}
