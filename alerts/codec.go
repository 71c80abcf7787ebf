package alerts

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"math"
	"reflect"
	"time"
	"unsafe"
)

// The tracks of detectors are plain values: numbers, flags, instants, texts, and structs, arrays and short slices of them.
// Writing them down by walking their types keeps what a detector remembers in one place, its file, instead of a second
// time in a list of fields here. [shape] tells the programs apart whose detectors remember other things.

var timeType = reflect.TypeFor[time.Time]()

var errCut = errors.New("it ends too early")

// shape is a number that changes when the type's fields do.
func shape(t reflect.Type) uint64 {
	h := fnv.New64a()
	var walk func(reflect.Type)
	walk = func(t reflect.Type) {
		fmt.Fprintf(h, "%s %s;", t.Kind(), t.Name())
		switch t.Kind() {
		case reflect.Struct:
			for i := 0; t != timeType && i < t.NumField(); i++ {
				fmt.Fprintf(h, "%s:", t.Field(i).Name)
				walk(t.Field(i).Type)
			}
		case reflect.Array:
			fmt.Fprintf(h, "%d", t.Len())
			walk(t.Elem())
		case reflect.Slice:
			walk(t.Elem())
		}
	}
	walk(t)
	return h.Sum64()
}

// appendPlain appends a plain value.
func appendPlain(b []byte, v reflect.Value) []byte {
	if v.Type() == timeType {
		at := *(*time.Time)(field(v))
		if at.IsZero() {
			return append(b, 0)
		}
		return binary.AppendVarint(append(b, 1), at.UnixNano())
	}
	switch v.Kind() {
	case reflect.Bool:
		if v.Bool() {
			return append(b, 1)
		}
		return append(b, 0)
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		return binary.AppendVarint(b, v.Int())
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		return binary.AppendUvarint(b, v.Uint())
	case reflect.Float32, reflect.Float64:
		return binary.BigEndian.AppendUint64(b, math.Float64bits(v.Float()))
	case reflect.String:
		return append(binary.AppendUvarint(b, uint64(v.Len())), v.String()...)
	case reflect.Struct:
		for i := range v.NumField() {
			b = appendPlain(b, v.Field(i))
		}
	case reflect.Slice, reflect.Array:
		if v.Kind() == reflect.Slice {
			b = binary.AppendUvarint(b, uint64(v.Len()))
		}
		for i := range v.Len() {
			b = appendPlain(b, v.Index(i))
		}
	default:
		panic("alerts: a track holds a " + v.Kind().String()) // a bug of this package: TestTracksArePlain
	}
	return b
}

// field returns the place of an addressable value: reflection reads unexported fields but does not set them.
func field(v reflect.Value) unsafe.Pointer { return unsafe.Pointer(v.UnsafeAddr()) }

// takePlain reads what appendPlain wrote into an addressable value, and returns the rest.
func takePlain(b []byte, v reflect.Value) ([]byte, error) {
	v = reflect.NewAt(v.Type(), field(v)).Elem()
	if v.Type() == timeType {
		return takeTime(b, v)
	}
	switch v.Kind() {
	case reflect.Bool:
		if len(b) < 1 {
			return nil, errCut
		}
		v.SetBool(b[0] != 0)
		return b[1:], nil
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		n, size := binary.Varint(b)
		if size <= 0 || v.OverflowInt(n) {
			return nil, errCut
		}
		v.SetInt(n)
		return b[size:], nil
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		n, size := binary.Uvarint(b)
		if size <= 0 || v.OverflowUint(n) {
			return nil, errCut
		}
		v.SetUint(n)
		return b[size:], nil
	case reflect.Float32, reflect.Float64:
		if len(b) < 8 {
			return nil, errCut
		}
		v.SetFloat(math.Float64frombits(binary.BigEndian.Uint64(b)))
		return b[8:], nil
	case reflect.String:
		n, size := binary.Uvarint(b)
		if size <= 0 || n > uint64(len(b)-size) {
			return nil, errCut
		}
		v.SetString(string(b[size : size+int(n)]))
		return b[size+int(n):], nil
	}
	return takeParts(b, v)
}

func takeTime(b []byte, v reflect.Value) ([]byte, error) {
	if len(b) < 1 {
		return nil, errCut
	}
	if b[0] == 0 {
		v.SetZero()
		return b[1:], nil
	}
	n, size := binary.Varint(b[1:])
	if size <= 0 {
		return nil, errCut
	}
	v.Set(reflect.ValueOf(time.Unix(0, n).UTC()))
	return b[1+size:], nil
}

// takeParts reads structs, arrays and slices.
func takeParts(b []byte, v reflect.Value) (rest []byte, err error) {
	n, part := 0, v.Index
	switch v.Kind() {
	case reflect.Struct:
		n, part = v.NumField(), v.Field
	case reflect.Array:
		n = v.Len()
	case reflect.Slice:
		count, size := binary.Uvarint(b)
		if size <= 0 || count > uint64(len(b)) { // each part takes a byte at least
			return nil, errCut
		}
		b, n = b[size:], int(count)
		v.Set(reflect.MakeSlice(v.Type(), n, n))
	}
	for i := range n {
		if b, err = takePlain(b, part(i)); err != nil {
			return nil, err
		}
	}
	return b, nil
}
