package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"go.etcd.io/bbolt"
)

// Progress is told how far a long job is; done and total are of the same unit, and total may be a guess. Nil: nobody
// asks.
type Progress func(done, total int64)

func (p Progress) tell(done, total int64) {
	if p != nil {
		p(done, total)
	}
}

// compactStep is how many bytes are copied in one transaction: what is held in memory.
const compactStep = 4 << 20

// Compact writes what the store at path holds into a new file without free pages, checks that the new one holds the
// same, byte for byte, and puts it in the place of the old one. It returns the sizes before and after.
//
// Where nothing is stored, the error is an [fs.ErrNotExist]. No other program can have the store open meanwhile. Whatever ends it before the new file takes its place, ctx too,
// leaves the old one as it was, and nothing beside it. The disk needs room for both.
func Compact(ctx context.Context, path string, p Progress) (before, after int64, err error) {
	s, err := Open(path, Options{Existing: true})
	if err != nil {
		return 0, 0, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	info, err := os.Stat(path)
	if err != nil {
		return 0, 0, explain("compacting", path, err)
	}
	next := path + ".compact"
	defer os.Remove(next) // what is left of it where something went wrong; else it has another name by then
	if after, err = s.rewrite(ctx, next, info, p); err != nil {
		return 0, 0, explain("compacting", path, err)
	}
	return info.Size(), after, explain("compacting", path, s.replace(next))
}

// replace puts a file in the place of the store's. The store stays open, and so locked, until that is done: nobody
// can begin to write to a file that is about to lose its name.
func (s *Store) replace(next string) error {
	if renameClosed {
		if err := s.Close(); err != nil {
			return err
		}
	}
	if err := os.Rename(next, s.path); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(s.path))
}

// rewrite copies every record into a new file and returns its size.
func (s *Store) rewrite(ctx context.Context, next string, like fs.FileInfo, p Progress) (int64, error) {
	if err := os.Remove(next); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return 0, err
	}
	db, err := bbolt.Open(next, like.Mode().Perm(), &bbolt.Options{
		Timeout: time.Second, PageSize: pageSize, FreelistType: bbolt.FreelistMapType, NoSync: true,
	})
	if err != nil {
		return 0, err
	}
	err = sameOwner(next, like)
	if err == nil {
		c := copier{ctx: ctx, to: db, tell: func(done int64) { p.tell(done, 2*like.Size()) }}
		err = s.view(c.all)
	}
	if err == nil {
		err = db.Sync()
	}
	if err == nil {
		c := comparer{ctx: ctx, tell: func(done int64) { p.tell(like.Size()+done, 2*like.Size()) }}
		err = s.view(func(from *bbolt.Tx) error { return db.View(func(to *bbolt.Tx) error { return c.all(from, to) }) })
	}
	size := int64(0)
	if err == nil {
		err = db.View(func(tx *bbolt.Tx) error { size = tx.Size(); return nil })
	}
	if err = errors.Join(err, db.Close()); err == nil {
		err = cut(next, size)
	}
	if err != nil {
		return 0, err
	}
	if err := checkPages(next, nil); err != nil {
		return 0, fmt.Errorf("what was written does not check: %w; is the disk failing?", err)
	}
	p.tell(2*like.Size(), 2*like.Size())
	return size, nil
}

// cut takes the room off a file's end that bbolt has made ready and not used, and syncs it.
func cut(path string, size int64) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Truncate(size), f.Sync(), f.Close())
}

// A copier copies buckets with their sequences into another database, in transactions of compactStep.
type copier struct {
	ctx  context.Context
	to   *bbolt.DB
	tell func(done int64)

	tx      *bbolt.Tx
	pending int
	done    int64
}

func (c *copier) all(from *bbolt.Tx) error {
	defer func() {
		if c.tx != nil {
			_ = c.tx.Rollback() // after a commit it does nothing
		}
	}()
	return from.ForEach(func(name []byte, b *bbolt.Bucket) error { return c.bucket(name, b) })
}

func (c *copier) bucket(name []byte, from *bbolt.Bucket) error {
	to, err := c.open(name, from.Sequence())
	if err != nil {
		return err
	}
	cur := from.Cursor()
	for k, v := cur.First(); k != nil; k, v = cur.Next() {
		if v == nil {
			return fmt.Errorf("%s %s is a bucket in a bucket, of which this format has none", name, keyText(k))
		}
		if c.pending >= compactStep {
			if to, err = c.turn(name); err != nil {
				return err
			}
		}
		if err := to.Put(k, v); err != nil {
			return err
		}
		c.pending += len(k) + len(v)
		c.done += int64(len(k) + len(v))
	}
	return c.commit()
}

func (c *copier) open(name []byte, sequence uint64) (*bbolt.Bucket, error) {
	tx, err := c.to.Begin(true)
	if err != nil {
		return nil, err
	}
	c.tx = tx
	b, err := tx.CreateBucketIfNotExists(name)
	if err != nil {
		return nil, err
	}
	b.FillPercent = 1 // keys come in their order: a page that is full stays as it is
	if sequence > 0 {
		err = b.SetSequence(sequence)
	}
	return b, err
}

// turn commits and goes on in a new transaction.
func (c *copier) turn(name []byte) (*bbolt.Bucket, error) {
	if err := c.commit(); err != nil {
		return nil, err
	}
	return c.open(name, 0)
}

func (c *copier) commit() error {
	if c.ctx.Err() != nil {
		return context.Cause(c.ctx)
	}
	err := c.tx.Commit()
	c.pending = 0
	c.tell(c.done)
	return err
}

// A comparer holds two databases against each other.
type comparer struct {
	ctx  context.Context
	tell func(done int64)
	done int64
}

var errUnlike = errors.New("what was written is not what was read; is the disk or the memory failing?")

func (c *comparer) all(one, two *bbolt.Tx) error {
	a, b := one.Cursor(), two.Cursor()
	ka, _ := a.First()
	kb, _ := b.First()
	for ; ka != nil; ka, _ = a.Next() {
		if !bytes.Equal(ka, kb) {
			return errUnlike
		}
		if err := c.bucket(one.Bucket(ka), two.Bucket(kb)); err != nil {
			return err
		}
		kb, _ = b.Next()
	}
	if kb != nil {
		return errUnlike
	}
	return nil
}

func (c *comparer) bucket(one, two *bbolt.Bucket) error {
	if one.Sequence() != two.Sequence() {
		return errUnlike
	}
	a, b := one.Cursor(), two.Cursor()
	kb, vb := b.First()
	told := c.done
	for ka, va := a.First(); ka != nil; ka, va = a.Next() {
		if !bytes.Equal(ka, kb) || !bytes.Equal(va, vb) {
			return errUnlike
		}
		kb, vb = b.Next()
		if c.done += int64(len(ka) + len(va)); c.done-told < compactStep {
			continue
		}
		if c.ctx.Err() != nil {
			return context.Cause(c.ctx)
		}
		c.tell(c.done)
		told = c.done
	}
	if kb != nil {
		return errUnlike
	}
	return nil
}
