package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
)

// What bbolt writes, as far as it takes to see whether a file can be trusted. bbolt itself trusts what it maps; this
// reads pages with plain reads, into slices of their own, and believes nothing.
const (
	boltMagic   = 0xED0CDAED
	boltVersion = 2

	pageHeader  = 16 // id 8, flags 2, count 2, overflow 4
	elementSize = 16
	metaSize    = 64 // magic 4, version 4, page size 4, flags 4, root 8, sequence 8, free list 8, high 8, transaction 8, checksum 8

	flagBranch   = 0x01
	flagLeaf     = 0x02
	flagFreelist = 0x10

	leafBucket = 0x01 // flag of a leaf element that is a bucket

	noFreelist = ^uint64(0)

	depthLimit    = 64
	overflowLimit = 64 << 20 / pageSize // no page of ours comes near 64 MiB
)

var native = binary.NativeEndian // bbolt writes as the machine does

// A meta is one of the two pages that a bbolt file begins with; the valid one of the higher transaction counts.
type meta struct {
	pageSize    uint32
	root        uint64
	freelist    uint64
	high        uint64 // pages below this one are in use or free
	transaction uint64
}

func parseMeta(b []byte) (meta, bool) {
	if len(b) < pageHeader+metaSize {
		return meta{}, false
	}
	b = b[pageHeader:]
	sum := fnv.New64a()
	sum.Write(b[:metaSize-8])
	if native.Uint32(b) != boltMagic || native.Uint32(b[4:]) != boltVersion || native.Uint64(b[56:]) != sum.Sum64() {
		return meta{}, false
	}
	return meta{
		pageSize: native.Uint32(b[8:]), root: native.Uint64(b[16:]), freelist: native.Uint64(b[32:]),
		high: native.Uint64(b[40:]), transaction: native.Uint64(b[48:]),
	}, true
}

// An element is an entry of a page: of a branch, key and page; of a leaf, key and value.
type element struct {
	key, value []byte
	page       uint64
	bucket     bool
}

// parsePage takes a page apart. The elements' heads come first, then, without a gap, their keys and values.
func parsePage(page []byte) (elements []element, branch bool, err error) {
	flags, count := native.Uint16(page[8:]), int(native.Uint16(page[10:]))
	branch = flags == flagBranch
	if flags != flagBranch && flags != flagLeaf || branch && count == 0 {
		return nil, false, errors.New("it is of no known kind")
	}
	at := pageHeader + count*elementSize
	if at > len(page) {
		return nil, false, errors.New("it counts more entries than it has room for")
	}
	elements = make([]element, count)
	for i := range elements {
		start := pageHeader + i*elementSize
		head, e := page[start:], &elements[i]
		var pos, keySize, valueSize uint32
		if branch {
			pos, keySize, e.page = native.Uint32(head), native.Uint32(head[4:]), native.Uint64(head[8:])
		} else {
			e.bucket = native.Uint32(head) == leafBucket
			if native.Uint32(head)&^leafBucket != 0 {
				return nil, false, fmt.Errorf("entry %d is of no known kind", i)
			}
			pos, keySize, valueSize = native.Uint32(head[4:]), native.Uint32(head[8:]), native.Uint32(head[12:])
		}
		room := uint64(len(page) - at)
		if uint64(start)+uint64(pos) != uint64(at) || keySize == 0 || uint64(keySize)+uint64(valueSize) > room {
			return nil, false, fmt.Errorf("entry %d is not where it should be", i)
		}
		e.key = page[at : at+int(keySize)]
		e.value = page[at+int(keySize) : at+int(keySize)+int(valueSize)]
		at += int(keySize) + int(valueSize)
	}
	return elements, branch, nil
}
