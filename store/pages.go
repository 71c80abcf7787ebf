package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
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

// A pages walks the pages of a file that nobody writes to meanwhile.
type pages struct {
	r    io.ReaderAt
	meta meta
	used []uint64 // a bit for each page
}

var errHeads = errors.New("both of its head pages are damaged")

// readMeta finds the meta page that counts. lame says that the other one is no good, so that the last commit may be
// gone: bbolt says nothing of that.
func readMeta(r io.ReaderAt, size int64) (p *pages, lame bool, err error) {
	first := make([]byte, pageHeader+metaSize)
	_, err0 := r.ReadAt(first, 0)
	m, ok := parseMeta(first)
	if err0 != nil {
		ok = false
	}
	second, ok2 := secondMeta(r, m.pageSize, ok)
	switch {
	case !ok && !ok2:
		return nil, false, errHeads
	case !ok || ok2 && second.transaction > m.transaction:
		m = second
	}
	if m.pageSize < 512 || m.pageSize&(m.pageSize-1) != 0 || m.high < 4 || m.high > uint64(size)/uint64(m.pageSize) {
		return nil, false, fmt.Errorf("it is cut short: %d bytes are left of %d pages of %d bytes", size, m.high, m.pageSize)
	}
	return &pages{r: r, meta: m, used: make([]uint64, m.high/64+1)}, !ok || !ok2, nil
}

// secondMeta reads the second page. Where it begins is known only if the first one is good; else the possible sizes
// are tried.
func secondMeta(r io.ReaderAt, size uint32, known bool) (meta, bool) {
	sizes := []uint32{size}
	if !known {
		sizes = []uint32{pageSize, 1 << 10, 1 << 11, 1 << 13, 1 << 14, 1 << 15, 1 << 16}
	}
	for _, size := range sizes {
		b := make([]byte, pageHeader+metaSize)
		if _, err := r.ReadAt(b, int64(size)); err != nil {
			continue
		}
		if m, ok := parseMeta(b); ok && m.pageSize == size {
			return m, true
		}
	}
	return meta{}, false
}

// use notes that a page and those that continue it are in use, once only.
func (p *pages) use(id, overflow uint64) error {
	if id < 2 || id >= p.meta.high || overflow >= p.meta.high-id {
		return fmt.Errorf("page %d lies outside of the file", id)
	}
	for i := id; i <= id+overflow; i++ {
		if p.used[i/64]&(1<<(i%64)) != 0 {
			return fmt.Errorf("page %d is used twice", i)
		}
		p.used[i/64] |= 1 << (i % 64)
	}
	return nil
}

// read returns a page with what continues it.
func (p *pages) read(id uint64) ([]byte, error) {
	if id < 2 || id >= p.meta.high {
		return nil, fmt.Errorf("page %d lies outside of the file", id)
	}
	page := make([]byte, p.meta.pageSize)
	if _, err := p.r.ReadAt(page, int64(id)*int64(p.meta.pageSize)); err != nil {
		return nil, fmt.Errorf("reading page %d: %w", id, err)
	}
	overflow := uint64(native.Uint32(page[12:]))
	if native.Uint64(page) != id || overflow > overflowLimit {
		return nil, fmt.Errorf("the head of page %d makes no sense", id)
	}
	if err := p.use(id, overflow); err != nil {
		return nil, err
	}
	if overflow > 0 {
		page = append(page, make([]byte, overflow*uint64(p.meta.pageSize))...)
		if _, err := p.r.ReadAt(page, int64(id)*int64(p.meta.pageSize)); err != nil {
			return nil, fmt.Errorf("reading page %d: %w", id, err)
		}
	}
	return page, nil
}

// checkFreelist reads the list of free pages: bbolt writes over those.
func (p *pages) checkFreelist() error {
	if p.meta.freelist == noFreelist {
		return nil
	}
	page, err := p.read(p.meta.freelist)
	if err != nil {
		return err
	}
	ids, count := page[pageHeader:], uint64(native.Uint16(page[10:]))
	if count == 0xFFFF && len(ids) >= 8 {
		count, ids = native.Uint64(ids), ids[8:]
	}
	if native.Uint16(page[8:]) != flagFreelist || count > uint64(len(ids))/8 {
		return errors.New("its list of free pages makes no sense")
	}
	for i := range count {
		if err := p.use(native.Uint64(ids[8*i:]), 0); err != nil {
			return fmt.Errorf("its list of free pages: %w", err)
		}
	}
	return nil
}

// checkTree walks every page that can be reached, and then wants each page of the file to be in use or free. It is to
// be called after checkFreelist.
func (p *pages) checkTree() error {
	if err := p.walk(p.meta.root, nil, nil, 0); err != nil {
		return err
	}
	for i := uint64(2); i < p.meta.high && p.meta.freelist != noFreelist; i++ {
		if p.used[i/64]&(1<<(i%64)) == 0 {
			return fmt.Errorf("page %d is neither used nor free", i)
		}
	}
	return nil
}

// walk checks a page and all below it; its keys must lie in [low, high).
func (p *pages) walk(id uint64, low, high []byte, depth int) error {
	if depth > depthLimit {
		return errors.New("its pages go round in a circle")
	}
	page, err := p.read(id)
	if err != nil {
		return err
	}
	elements, branch, err := parsePage(page)
	if err != nil {
		return fmt.Errorf("page %d: %w", id, err)
	}
	for i, e := range elements {
		if bytes.Compare(e.key, low) < 0 || high != nil && bytes.Compare(e.key, high) >= 0 {
			return fmt.Errorf("page %d: its keys are out of order", id)
		}
		low = append(bytes.Clone(e.key), 0)
		next := high
		if i+1 < len(elements) {
			next = elements[i+1].key
		}
		switch {
		case branch:
			err = p.walk(e.page, e.key, next, depth+1)
		case e.bucket:
			err = p.walkBucket(e.value, depth)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// walkBucket checks a bucket: root page 8, sequence 8, and where the root page is 0, the whole page after that.
func (p *pages) walkBucket(value []byte, depth int) error {
	if len(value) < 16 {
		return errors.New("a bucket makes no sense")
	}
	if root := native.Uint64(value); root != 0 {
		return p.walk(root, nil, nil, depth+1)
	}
	if len(value) < 16+pageHeader {
		return errors.New("a small bucket makes no sense")
	}
	elements, branch, err := parsePage(value[16:])
	if err != nil || branch {
		return fmt.Errorf("a small bucket makes no sense: %w", err)
	}
	for i := 1; i < len(elements); i++ {
		if bytes.Compare(elements[i-1].key, elements[i].key) >= 0 {
			return errors.New("the keys of a small bucket are out of order")
		}
	}
	return nil
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
