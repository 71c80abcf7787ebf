// Package store keeps what the devices said and what was made of it: frames in the order of time, and every change of
// every alarm, in one bbolt file.
//
// A [Store] promises:
//
//   - What [Store.Append], [Store.PutChanges] or [Store.PutOutbox] acknowledged is on the disk: it is there after the
//     process is killed or the power fails. What they refused is not acknowledged, though an error of the disk may leave
//     it stored; giving the same frames again does no harm.
//   - [Store.Frames] gives frames in the order of their instants, then of their controllers' ids, then of their groups,
//     however late and disordered they were appended. Where two frames have the same controller, group and instant, the
//     one that was appended first stands, since it is the one that the alarm engine judged.
//   - A reader never holds a transaction while its consumer works: it copies a batch, lets go, and hands out. It may be
//     left at any point and stops no writer. What is appended behind a reader's back may or may not be seen by it.
//   - No damage to the file ends the process. A damaged record is skipped, counted ([Stat.Damaged]) and logged; a file
//     whose structure is damaged is refused with [ErrDamaged]. Open never overwrites, shortens or renames a file.
//   - Times come back in UTC, to the nanosecond. A frame without values comes back without a layout.
//
// [Store.Fold] moves frames out of the journal into chunks by controller, column by column, and makes the rollups that
// [Store.Rollups] gives; it may run beside everything else, and readers see no difference. [Store.Runs] reads a curve
// fastest. [Store.StepClock] puts right what was read under a wrong clock, by earlier programs of the same [Boot], too.
//
// It keeps the register's own integers, not floats, wherever [fleet.Point.Number] gives the same number from them.
//
// FORMAT.md beside this file describes every bucket, key and byte.
package store
