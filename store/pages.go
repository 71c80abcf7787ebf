package store

import (
	"bytes"
	"errors"
	"fmt"
	"io"
)

// A pages walks the pages of a file that nobody writes to meanwhile.
type pages struct {
	r    io.ReaderAt
	meta meta
	used []uint64 // a bit for each page

	// look is called with the bytes of each page, and ends the walk by an error; nil: nobody looks.
	look func(n int) error
	// fault is told what is wrong, and ends the walk by an error; nil: the first fault ends it.
	fault func(f *pageFault) error
	// leaf takes the entries of leaves, and ends the walk by an error; nil: the walk goes down into buckets.
	leaf func(e *element) error
}

// A pageFault says why a page, and all below it, cannot be read.
type pageFault struct {
	low, high []byte // the keys that were to be found there lie in [low, high); nil: no limit
	err       error
}

// Error says what is wrong.
func (f *pageFault) Error() string { return f.err.Error() }

// bad decides whether the walk goes on after a fault.
func (p *pages) bad(err error, low, high []byte) error {
	f := &pageFault{low: low, high: high, err: err}
	if p.fault == nil {
		return f
	}
	return p.fault(f)
}

var errHeads = errors.New("both of its head pages are damaged")

// readMeta finds the meta page that counts. lame says that the other one is no good, so that the last commit may be
// gone: bbolt says nothing of that. Where the file is cut short, the pages that are left come beside the error.
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
	if m.pageSize < 512 || m.pageSize&(m.pageSize-1) != 0 || m.high < 4 {
		return nil, false, errHeads
	}
	if there := uint64(size) / uint64(m.pageSize); m.high > there {
		err = fmt.Errorf("it is cut short: %d bytes are left of %d pages of %d bytes", size, m.high, m.pageSize)
		m.high = there
	}
	return &pages{r: r, meta: m, used: make([]uint64, m.high/64+1)}, !ok || !ok2, err
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
	return p.checkUnused()
}

// checkUnused wants each page that no walk came upon to be on the list of free pages.
func (p *pages) checkUnused() error {
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
		return p.bad(errors.New("its pages go round in a circle"), low, high)
	}
	page, err := p.read(id)
	if err != nil {
		return p.bad(err, low, high)
	}
	if p.look != nil {
		if err := p.look(len(page)); err != nil {
			return err
		}
	}
	elements, branch, err := parsePage(page)
	if err != nil {
		return p.bad(fmt.Errorf("page %d: %w", id, err), low, high)
	}
	for i, e := range elements {
		if bytes.Compare(e.key, low) < 0 || high != nil && bytes.Compare(e.key, high) >= 0 {
			return p.bad(fmt.Errorf("page %d: its keys are out of order", id), low, high)
		}
		low = append(bytes.Clone(e.key), 0)
		next := high
		if i+1 < len(elements) {
			next = elements[i+1].key
		}
		if branch {
			err = p.walk(e.page, e.key, next, depth+1)
		} else {
			err = p.entry(&e, depth)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// entry takes an entry of a leaf.
func (p *pages) entry(e *element, depth int) error {
	switch {
	case p.leaf != nil:
		return p.leaf(e)
	case e.bucket:
		return p.walkBucket(e.value, depth)
	}
	return nil
}

// walkBucket checks a bucket: root page 8, sequence 8, and where the root page is 0, the whole page after that.
func (p *pages) walkBucket(value []byte, depth int) error {
	if len(value) < 16 {
		return p.bad(errors.New("a bucket makes no sense"), nil, nil)
	}
	if root := native.Uint64(value); root != 0 {
		return p.walk(root, nil, nil, depth+1)
	}
	if len(value) < 16+pageHeader {
		return p.bad(errors.New("a small bucket makes no sense"), nil, nil)
	}
	elements, branch, err := parsePage(value[16:])
	switch {
	case err != nil:
		return p.bad(fmt.Errorf("a small bucket makes no sense: %w", err), nil, nil)
	case branch:
		return p.bad(errors.New("a small bucket makes no sense: it is of no known kind"), nil, nil)
	}
	for i := range elements {
		if i > 0 && bytes.Compare(elements[i-1].key, elements[i].key) >= 0 {
			return p.bad(errors.New("the keys of a small bucket are out of order"), elements[i-1].key, nil)
		}
		if p.leaf != nil {
			if err := p.leaf(&elements[i]); err != nil {
				return err
			}
		}
	}
	return nil
}
