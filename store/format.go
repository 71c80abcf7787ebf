package store

import (
	"encoding/binary"
	"hash/crc32"
	"math"
	"time"
)

// Format is the version of the file format that this package writes, as FORMAT.md specifies it.
const Format = 3

// The buckets of a file.
var (
	bucketHead     = []byte("ringwarden") // what the file is
	bucketJournal  = []byte("journal")    // frames by instant
	bucketLayouts  = []byte("layouts")    // what the values of frames are, by layout id
	bucketChanges  = []byte("changes")    // changes of alarms by instant
	bucketStanding = []byte("standing")   // alarms that are not normal, by kind and subject

	// Since format 2.
	bucketChunks     = []byte("chunks")     // folded frames, by window and controller
	bucketDue        = []byte("due")        // days whose rollups are due, by controller
	bucketFine       = []byte("fine")       // rollups of five minutes, by day
	bucketCoarse     = []byte("coarse")     // rollups of hours and days, by controller and point
	bucketBooks      = []byte("books")      // calls, annotations and the like, by book and instant
	bucketStates     = []byte("states")     // what others want back after a restart, by name
	bucketQuarantine = []byte("quarantine") // damaged records that had to leave their place
	bucketMoving     = []byte("moving")     // chunks whose frames are on their way to another time, by chunk key
	bucketBoot       = []byte("boot")       // which chunks were folded under the clock of one boot, by chunk key
)

// firstBuckets are those of every format.
var firstBuckets = [][]byte{bucketHead, bucketJournal, bucketLayouts, bucketChanges, bucketStanding}

// laterBuckets are those that a file of an older format may lack.
var laterBuckets = [][]byte{bucketChunks, bucketDue, bucketFine, bucketCoarse, bucketBooks, bucketStates, bucketQuarantine}

var (
	keyStore   = []byte("store")    // in the head: magic, version, when made
	keyRawFrom = []byte("raw from") // in the head: before which instant frames were dropped
	keyParted  = []byte("parted")   // in the head: how often frames had to be kept apart; see parting
	keyBoot    = []byte("boot")     // in the head: under which clock frames are appended; see clockRun
	keyClosed  = []byte("closed")   // in the head: there while nothing was written since a clean close
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
	return sealIn(key, append(make([]byte, checksumSize, checksumSize+len(body)), body...))
}

// sealIn seals a body that has room for the checksum before it, and returns the whole.
func sealIn(key, value []byte) []byte {
	binary.BigEndian.PutUint32(value, checksum(key, value[checksumSize:]))
	return value
}

// checksumSize is the room for the checksum in a stored value.
const checksumSize = 4

// unseal returns the body of a stored value, and false if either it or its key is not as it was sealed.
func unseal(key, value []byte) ([]byte, bool) {
	if len(value) < checksumSize || binary.BigEndian.Uint32(value) != checksum(key, value[checksumSize:]) {
		return nil, false
	}
	return value[checksumSize:], true
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

// appendKeyTime appends the eight bytes that sort as nanoseconds since 1970 do.
func appendKeyTime(b []byte, nanos int64) []byte {
	return binary.BigEndian.AppendUint64(b, uint64(nanos)^1<<63)
}

// keyNanos is the inverse of appendKeyTime for the first eight bytes of b, which must be there.
func keyNanos(b []byte) int64 { return int64(binary.BigEndian.Uint64(b) ^ 1<<63) }

// keyTime is the inverse of timeKey for the first eight bytes of key, which must be there.
func keyTime(key []byte) time.Time {
	return time.Unix(0, int64(binary.BigEndian.Uint64(key)^1<<63)).UTC()
}

// journalKey returns the key of the sequence-th value of a bucket at instant t.
func journalKey(t time.Time, sequence uint64) []byte {
	k := timeKey(t)
	return binary.BigEndian.AppendUint64(k[:], sequence)
}

// journalSequence returns the sequence of a key that journalKey made.
func journalSequence(key []byte) uint64 { return binary.BigEndian.Uint64(key[8:]) }

// journalKeySize is the length of every key that journalKey makes.
const journalKeySize = 16
