// Package score measures how well detectors and diagnosis judge, on histories of rings that it makes up.
//
// A [Story] says what happens in one ring: its size, its register map, how often it is polled, and what breaks when.
// [Story.Play] tells it as frames, poll by poll. The model behind it is small and its own: it shares no code with the
// detectors, the diagnosis or the simulator, so that a mistake in one of those does not hide itself. Seeds are fixed:
// the same seed is the same story, frame for frame.
//
// [Run] plays a set of stories to the alarm engine and to the diagnosis and returns a [Card]: one line for each bar with
// its value, what is wanted and the 95 % interval of the sampling error. The package reads no clock and no file.
package score
