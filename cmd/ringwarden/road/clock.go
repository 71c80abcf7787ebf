package road

import "time"

// TellStep tells the judge of a step of the machine's clock: frames are not touched.
func (r *Road) TellStep(before, after time.Time, moved bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.judge.StepClock(before, after, moved)
}

// StepClock moves the frames that wait by a step of the machine's clock, and marks them, as the store does with those
// that it has: they were read under the clock from before. A frame that is nearer to the new time is of the new clock.
func (r *Road) StepClock(before, after time.Time) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for i := range r.waiting {
		f := &r.waiting[i]
		if f.At.Sub(before).Abs() < f.At.Sub(after).Abs() {
			f.At = f.At.Add(after.Sub(before))
			f.Restamped = true
		}
	}
}
