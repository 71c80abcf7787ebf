package export

import (
	"encoding/csv"
	"io"
	"strconv"
	"time"

	"github.com/parquet-go/parquet-go"

	"ringwarden/fleet"
)

// A kind says how a column is held in Parquet.
type kind uint8

const (
	instant kind = iota // UTC, nanoseconds
	word                // one of few texts
	text
	number // may be missing
	whole
)

// A cell is one value of a row; what of it counts, its column's kind says.
type cell struct {
	at      time.Time
	text    string
	number  float64
	whole   int64
	missing bool
}

// A column is one column of a table of rows R.
type column[R any] struct {
	name string
	kind kind
	get  func(r *R) cell
}

var rawColumns = []column[Raw]{
	{"time", instant, func(r *Raw) cell { return cell{at: r.Time} }},
	{"controller", word, func(r *Raw) cell { return cell{text: r.Controller} }},
	{"point", word, func(r *Raw) cell { return cell{text: r.Point} }},
	{"quantity", word, func(r *Raw) cell { return cell{text: r.Quantity} }},
	{"value", number, func(r *Raw) cell { return optional(r.Value) }},
	{"unit", word, func(r *Raw) cell { return cell{text: r.Unit} }},
	{"text", text, func(r *Raw) cell { return cell{text: r.Text} }},
	{"raw", whole, func(r *Raw) cell { return cell{whole: int64(r.Raw)} }},
	{"quality", word, func(r *Raw) cell { return cell{text: r.Quality} }},
}

var rollupColumns = func() []column[Rollup] {
	some := func(r *Rollup, v float64) cell { return cell{number: v, missing: r.Count == 0} }
	columns := []column[Rollup]{
		{"start", instant, func(r *Rollup) cell { return cell{at: r.Start} }},
		{"end", instant, func(r *Rollup) cell { return cell{at: r.End} }},
		{"controller", word, func(r *Rollup) cell { return cell{text: r.Controller} }},
		{"point", word, func(r *Rollup) cell { return cell{text: r.Point} }},
		{"quantity", word, func(r *Rollup) cell { return cell{text: r.Quantity} }},
		{"unit", word, func(r *Rollup) cell { return cell{text: r.Unit} }},
		{"count", whole, func(r *Rollup) cell { return cell{whole: int64(r.Count)} }},
		{"min", number, func(r *Rollup) cell { return some(r, r.Min) }},
		{"mean", number, func(r *Rollup) cell { return some(r, r.Mean) }},
		{"max", number, func(r *Rollup) cell { return some(r, r.Max) }},
		{"last", number, func(r *Rollup) cell { return some(r, r.Last) }},
		{"covered_seconds", number, func(r *Rollup) cell { return cell{number: r.Covered.Seconds()} }},
		{"total", number, func(r *Rollup) cell { return cell{number: r.Total, missing: r.TotalUnit == ""} }},
		{"total_unit", word, func(r *Rollup) cell { return cell{text: r.TotalUnit} }},
	}
	for _, stage := range fleet.Stages {
		columns = append(columns, column[Rollup]{stage.String() + "_seconds", number, func(r *Rollup) cell {
			return cell{number: r.Stages[stage].Seconds(), missing: r.Quantity != fleet.QuantityStage.String()}
		}})
	}
	return columns
}()

func optional(v *float64) cell {
	if v == nil {
		return cell{missing: true}
	}
	return cell{number: *v}
}

// A table takes rows.
type table[R any] interface {
	put(r *R) error
	close() error
}

func newTable[R any](w io.Writer, f Format, columns []column[R]) table[R] {
	if f == Parquet {
		return newParquet(w, columns)
	}
	return newCSV(w, columns)
}

// A csvTable writes RFC 4180 but for the line ends, which are those of this program's other output.
type csvTable[R any] struct {
	w       *csv.Writer
	columns []column[R]
	line    []string
	headed  bool
}

func newCSV[R any](w io.Writer, columns []column[R]) *csvTable[R] {
	return &csvTable[R]{w: csv.NewWriter(w), columns: columns, line: make([]string, len(columns))}
}

func (t *csvTable[R]) head() error {
	t.headed = true
	for i := range t.columns {
		t.line[i] = t.columns[i].name
	}
	return t.w.Write(t.line)
}

func (t *csvTable[R]) put(r *R) error {
	if !t.headed {
		if err := t.head(); err != nil {
			return err
		}
	}
	for i := range t.columns {
		c := t.columns[i].get(r)
		t.line[i] = c.write(t.columns[i].kind)
	}
	return t.w.Write(t.line)
}

func (t *csvTable[R]) close() error {
	if !t.headed {
		if err := t.head(); err != nil {
			return err
		}
	}
	t.w.Flush()
	return t.w.Error()
}

// write returns the cell as text. A number has as many digits as it takes to read the same one back.
func (c *cell) write(k kind) string {
	switch {
	case c.missing:
		return ""
	case k == instant:
		return c.at.UTC().Format(time.RFC3339Nano)
	case k == number:
		return strconv.FormatFloat(c.number, 'g', -1, 64)
	case k == whole:
		return strconv.FormatInt(c.whole, 10)
	}
	return c.text
}

// groupRows is how many rows a Parquet file has in one row group: what is held in memory until it is written.
const groupRows = 1 << 16

// A parquetTable writes rows through a schema made from the columns. Its columns stand in the order of their names, as
// Parquet groups made in Go do; readers go by the names.
type parquetTable[R any] struct {
	w       *parquet.GenericWriter[any]
	columns []column[R]
	place   []int // of each column in the schema
	row     parquet.Row
	rows    int
}

func newParquet[R any](w io.Writer, columns []column[R]) *parquetTable[R] {
	group := parquet.Group{}
	for _, c := range columns {
		group[c.name] = c.kind.node()
	}
	schema := parquet.NewSchema("ringwarden", group)
	t := &parquetTable[R]{columns: columns, place: make([]int, len(columns)), row: make(parquet.Row, len(columns))}
	for i, c := range columns {
		leaf, _ := schema.Lookup(c.name)
		t.place[i] = leaf.ColumnIndex
	}
	t.w = parquet.NewGenericWriter[any](w, schema, parquet.Compression(&parquet.Snappy))
	return t
}

// node returns the type of a column: what common readers know as a timestamp, a string, a double, an integer.
func (k kind) node() parquet.Node {
	switch k {
	case instant:
		return parquet.Encoded(parquet.Timestamp(parquet.Nanosecond), &parquet.DeltaBinaryPacked)
	case word:
		return parquet.Encoded(parquet.String(), &parquet.RLEDictionary)
	case text:
		return parquet.Encoded(parquet.String(), &parquet.RLEDictionary)
	case number:
		return parquet.Optional(parquet.Leaf(parquet.DoubleType))
	}
	return parquet.Leaf(parquet.Int64Type)
}

func (t *parquetTable[R]) put(r *R) error {
	for i := range t.columns {
		c := t.columns[i].get(r)
		t.row[t.place[i]] = c.parquet(t.columns[i].kind, t.place[i])
	}
	if _, err := t.w.WriteRows([]parquet.Row{t.row}); err != nil {
		return err
	}
	if t.rows++; t.rows%groupRows == 0 {
		return t.w.Flush()
	}
	return nil
}

func (t *parquetTable[R]) close() error { return t.w.Close() }

// parquet returns the cell as a value of a column. Only numbers can be missing: their definition level says so.
func (c *cell) parquet(k kind, column int) parquet.Value {
	switch k {
	case instant:
		return parquet.Int64Value(c.at.UnixNano()).Level(0, 0, column)
	case number:
		if c.missing {
			return parquet.NullValue().Level(0, 0, column)
		}
		return parquet.DoubleValue(c.number).Level(0, 1, column)
	case whole:
		return parquet.Int64Value(c.whole).Level(0, 0, column)
	}
	return parquet.ByteArrayValue([]byte(c.text)).Level(0, 0, column)
}
