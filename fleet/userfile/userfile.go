// Package userfile reads the YAML files that people write: register maps, fleet files, scenarios. It is strict, keeps
// the position of every word, gathers all faults instead of stopping at the first, and suggests what was meant.
//
// The YAML library converts silently where people make mistakes: 010 becomes eight, 1.5 becomes one, yes becomes true,
// a second document is dropped. So nothing here decodes into Go types through the library: it parses into nodes, and
// each scalar is read by this package's own rules, which are YAML 1.2's core schema without its surprises.
package userfile

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"
)

// MaxSize is the size in bytes that no file of a person reaches.
const MaxSize = 4 << 20

const (
	// maxNodes bounds the parts that are read, since aliases can multiply those of a small file without end.
	maxNodes = 1 << 20
	// maxFaults bounds the faults that are kept; the others are counted.
	maxFaults = 1000
)

// An Error is one fault in a file, with its place.
type Error struct {
	File         string
	Line, Column int // from 1; 0: the file as a whole
	Msg          string
}

// Error returns file:line:column: message.
func (e *Error) Error() string {
	if e.Line == 0 {
		return e.File + ": " + e.Msg
	}
	return fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Column, e.Msg)
}

// A Document is one file being read. Its methods gather faults; [Document.Err] gives them all.
type Document struct {
	File   string
	Root   *yaml.Node // nil if the file could not be parsed at all
	faults []*Error
	more   int // faults beyond maxFaults
	nodes  int // parts of mappings and lists read so far
}

// Parse parses one YAML document. Faults of syntax are gathered like all others: Root is nil then.
func Parse(file string, data []byte) *Document {
	d := &Document{File: file}
	if len(data) > MaxSize {
		d.fault(0, 0, "the file has %d bytes; at most %d are read", len(data), MaxSize)
		return d
	}
	dec := yaml.NewDecoder(bytes.NewReader(data))
	var doc yaml.Node
	if err := dec.Decode(&doc); err != nil {
		d.syntax(err)
		return d
	}
	var second yaml.Node
	if err := dec.Decode(&second); err == nil {
		d.Faultf(&second, "a second document starts here; put everything into the first")
	}
	d.Root = doc.Content[0]
	return d
}

var lineOfSyntaxError = regexp.MustCompile(`^yaml: line (\d+): (.*)$`)

// syntax keeps a fault of the library's parser, whose line may be off by up to two or missing.
func (d *Document) syntax(err error) {
	if err.Error() == "EOF" {
		d.fault(1, 1, "the file is empty")
		return
	}
	msg := strings.ReplaceAll(err.Error(), "\n", " ")
	if m := lineOfSyntaxError.FindStringSubmatch(msg); m != nil {
		line, _ := strconv.Atoi(m[1])
		if m[2] == "found character that cannot start any token" {
			m[2] += " (a tab cannot indent: use spaces; text that begins with @, % or ` needs quotes)"
		}
		d.fault(line, 1, "not YAML at or just before this line: %s", m[2])
		return
	}
	d.fault(1, 1, "not YAML: %s", strings.TrimPrefix(msg, "yaml: "))
}

// Faultf keeps a fault at a node.
func (d *Document) Faultf(n *yaml.Node, format string, args ...any) {
	d.fault(n.Line, n.Column, format, args...)
}

func (d *Document) fault(line, column int, format string, args ...any) {
	if len(d.faults) == maxFaults {
		d.more++
		return
	}
	d.faults = append(d.faults, &Error{File: d.File, Line: line, Column: column, Msg: fmt.Sprintf(format, args...)})
}

// Err returns all faults in the order of the file, joined, or nil. Each is an [*Error].
func (d *Document) Err() error {
	slices.SortStableFunc(d.faults, func(a, b *Error) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	// What an alias repeats is read once for each use, and is one fault.
	d.faults = slices.CompactFunc(d.faults, func(a, b *Error) bool { return *a == *b })
	errs := make([]error, len(d.faults))
	for i, f := range d.faults {
		errs[i] = f
	}
	if d.more > 0 {
		last := d.faults[len(d.faults)-1]
		errs = append(errs, &Error{d.File, last.Line, last.Column, fmt.Sprintf("and %d more faults", d.more)})
	}
	return errors.Join(errs...)
}

// Errors takes a joined error of [Document.Err] apart, also where it was wrapped or joined again.
func Errors(err error) []*Error {
	var all []*Error
	var walk func(error)
	walk = func(err error) {
		switch e := err.(type) { //nolint:errorlint // this walks the tree itself
		case *Error:
			all = append(all, e)
		case interface{ Unwrap() []error }:
			for _, part := range e.Unwrap() {
				walk(part)
			}
		case interface{ Unwrap() error }:
			walk(e.Unwrap())
		}
	}
	walk(err)
	return all
}
