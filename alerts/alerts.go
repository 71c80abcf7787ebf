// Package alerts judges what the controllers report: frames and time go in, changes of alarms come out.
//
// It is pure. It reads no clock, no file and no network and starts no goroutine; time comes with the frames and with
// [Engine.Advance], so the same frames and the same instants always give the same changes, live or in a replay. An
// Engine is for one goroutine at a time.
//
// # How a finding comes about
//
// [Engine.Put] files each reading under its controller and judges nothing. [Engine.Advance] asks every detector about
// every subject (site, ring, controller or link) for a verdict: yes, no, or unknown. A detector lives in a file of its
// own, with its table of thresholds, where each default comes from, and its sentences. A missing value gives unknown,
// which neither raises nor clears anything. A yes may name another alarm that explains it: then the alarm is
// suppressed by design instead of raised. KINDS.md lists the kinds, and testdata/scripts shows each at work.
//
// What moves slowly (settings, charge, leads, yields) is judged every half minute.
//
// Verdicts pass through a [Hold] (on-delay and off-delay) and move the alarm along the states of ANSI/ISA-18.2 and
// IEC 62682. Rules of the fleet file change delays, priorities and thresholds by site, ring, controller or link. People
// acknowledge, shelve for a time ([Engine.Shelve]) and take places out of service ([Engine.TakeOutOfService]).
//
// The words of an alarm that goes on are told anew once a minute, so that whoever lists alarms ([Engine.Alarms]) reads how it
// is now. That is no change of the alarm.
//
// # What outlives what
//
// Alarms that stand come back over a restart with [Engine.Restore], and what the detectors have learned with
// [Engine.State] and [Engine.Remember]. A reload of the fleet file is [Engine.Update]; it keeps both. A [Meter] tells from
// the changes how well alarms serve the people who get them.
//
// # What is not believed
//
// Nothing odd in a frame is an alarm about the plant. Each of these is counted, see [Counts]:
//   - a frame of a controller that is not in the fleet is dropped;
//   - a frame no newer than the last one of its controller and poll group is dropped: equal is doubled, older is late.
//     A frame that took long but comes in order is taken, and judged by the instant it is of;
//   - a frame of more than ten minutes after the last Advance is from the future and dropped; if one came before the
//     first Advance, what it said is forgotten at that Advance;
//   - an answered frame whose values do not fit its layout is dropped;
//   - a good value that is not finite, a stage that is none, and a value that the map calls undefined or implausible
//     are left out, as if they had not been read. The rest of the frame counts.
//
// An alarm is advice. This program is never a protective device.
package alerts
