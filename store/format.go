package store

import (
	"encoding/binary"
	"hash/crc32"
	"math"
	"time"
)

// Format is the version of the file format that this package writes, as FORMAT.md specifies it.
const Format = 1

// The buckets of a file.
var (
	bucketHead     = []byte("ringwarden") // what the file is
	bucketJournal  = []byte("journal")    // frames by instant
	bucketLayouts  = []byte("layouts")    // what the values of frames are, by layout id
	bucketChanges  = []byte("changes")    // changes of alarms by instant
	bucketStanding = []byte("standing")   // alarms that are not normal, by kind and subject
)

// buckets lists every bucket of the format.
var buckets = [][]byte{bucketHead, bucketJournal, bucketLayouts, bucketChanges, bucketStanding}

var (
	keyStore  = []byte("store")  // in the head: magic, version, when made
	keyClosed = []byte("closed") // in the head: there while nothing was written since a clean close
)

// magic opens the store record. It tells a damaged file of ours from a file of somebody else.
const magic = "ringwarden store"

// pageSize is that of every file we make: bbolt's default is the system's, and larger pages cost more per commit.
const pageSize = 4096

// valueTarget is the size that journal values are split at. Four values of this size, with 16 bytes of key and 16 of
// bbolt's own each, and one page header of 16 bytes, fill a page. Larger values would be rewritten more often.
const valueTarget = (pageSize-16)/4 - 16 - 16

// valueLimit bounds what is read back as one value, so that a damaged length cannot ask for gigabytes.
const valueLimit = 16 << 20

// textLimit bounds ids and keys. bbolt's own limit for a key is 32 KiB.
const textLimit = 1024

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// seal returns the stored form of body under key: a checksum of both, then body.
func seal(key, body []byte) []byte {
	value := make([]byte, 4, 4+len(body))
	binary.BigEndian.PutUint32(value, checksum(key, body))
	return append(value, body...)
}

// unseal returns the body of a stored value, and false if either it or its key is not as it was sealed.
func unseal(key, value []byte) ([]byte, bool) {
	if len(value) < 4 || binary.BigEndian.Uint32(value) != checksum(key, value[4:]) {
		return nil, false
	}
	return value[4:], true
}

func checksum(key, body []byte) uint32 {
	return crc32.Update(crc32.Checksum(key, castagnoli), castagnoli, body)
}

// The first and the last instant that a key can hold.
var (
	earliest = time.Unix(0, math.MinInt64).UTC() // in 1677
	latest   = time.Unix(0, math.MaxInt64).UTC() // in 2262
)

// storable reports whether a key can hold t.
func storable(t time.Time) bool { return !t.Before(earliest) && !t.After(latest) }

// timeKey returns the eight bytes that sort as t does.
func timeKey(t time.Time) [8]byte {
	var k [8]byte
	binary.BigEndian.PutUint64(k[:], uint64(t.UnixNano())^1<<63)
	return k
}

// keyTime is the inverse of timeKey for the first eight bytes of key, which must be there.
func keyTime(key []byte) time.Time {
	return time.Unix(0, int64(binary.BigEndian.Uint64(key)^1<<63)).UTC()
}

// journalKey returns the key of the sequence-th value of a bucket at instant t.
func journalKey(t time.Time, sequence uint64) []byte {
	k := timeKey(t)
	return binary.BigEndian.AppendUint64(k[:], sequence)
}

// journalKeySize is the length of every key that journalKey makes.
const journalKeySize = 16
