package notify

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"ringwarden/fleet"
)

// sinks returns one for each channel of the plan. The error names those that there are none for.
func (p *plan) sinks(dial Dial) (map[Channel]sink, error) {
	sinks, faults := map[Channel]sink{}, []error(nil)
	for _, name := range p.recipients() {
		for _, c := range p.waysTo(name) {
			s, err := p.sink(c, dial)
			if err != nil {
				// What waits for them goes on waiting: a file that is missing may come back.
				s = broken{err}
				faults = append(faults, fmt.Errorf("%s: %w", c, err))
			}
			sinks[c] = s
		}
	}
	return sinks, errors.Join(faults...)
}

func (p *plan) sink(c Channel, dial Dial) (sink, error) {
	switch c.Via {
	case ViaMail:
		return newMailer(p, p.notify.Mail, p.people[c.Person].Mail, dial)
	case ViaWebhook:
		hook := p.hooks[c.Sink]
		to, err := newPoster(hook.URL, hook.CA, dial)
		return &webhook{p, hook, to}, err
	}
	server := p.alerts[c.Sink]
	to, err := newPoster(server.URL, server.CA, dial)
	return &alertmanager{plan: p, server: server, poster: to}, err
}

// A broken sink sends nothing and says why.
type broken struct{ err error }

func (b broken) check() error                         { return nil } // it was said
func (b broken) send(context.Context, *Message) error { return b.err }

// An Outcome says what became of a test message.
type Outcome struct {
	To   Channel
	Took time.Duration
	Err  error // nil: the other side took it
}

// ErrUnknown says that nobody of that name can be told.
var ErrUnknown = errors.New("nobody of that name is to be told")

// Recipients lists the names that can be told, as the fleet file has them.
func Recipients(f *fleet.Fleet) []string { return newPlan(f).recipients() }

// Check says, for each way that people are told by, what is wrong with its files: a secret that cannot be read or that is
// none, or that every user of this machine can read. It asks no server. Those of several ways are said once.
func Check(f *fleet.Fleet) []error {
	p := newPlan(f)
	var faults []error
	said := map[string]bool{}
	for _, name := range p.recipients() {
		for _, c := range p.waysTo(name) {
			s, err := p.sink(c, nil)
			if err == nil {
				err = s.check()
			}
			if err != nil && !said[err.Error()] {
				said[err.Error()] = true
				faults = append(faults, fmt.Errorf("%s: %w", c, err))
			}
		}
	}
	return faults
}

// SendTest sends a test message at once to a recipient, or to everybody if name is empty, by every way there is, and
// calls yield with what became of each. Nothing is stored, and nothing is tried again. The error is [ErrUnknown] if
// there is nobody to send to.
func SendTest(ctx context.Context, f *fleet.Fleet, name string, now time.Time, yield func(Outcome)) error {
	p := newPlan(f)
	names := p.recipients()
	if name != "" {
		if !slices.Contains(names, name) {
			return ErrUnknown
		}
		names = []string{name}
	}
	for _, name := range names {
		for _, c := range p.waysTo(name) {
			start := time.Now()
			err := p.test(ctx, c, now)
			yield(Outcome{c, time.Since(start), err})
		}
	}
	return nil
}

func (p *plan) test(ctx context.Context, c Channel, now time.Time) error {
	s, err := p.sink(c, nil)
	if err != nil {
		return err
	}
	if err := s.check(); err != nil {
		return err
	}
	change := fleet.Change{At: now, Alarm: fleet.Alarm{
		AlarmKey: fleet.AlarmKey{Kind: "ringwarden-test", Subject: "test"}, Since: now, Raised: now,
		Text: fmt.Sprintf("This is a test of ringwarden, for %s. No alarm stands behind it. If you can read it, the way works, and there is nothing to do.", c.Recipient()),
	}}
	ctx, cancel := context.WithTimeout(ctx, tryTime)
	defer cancel()
	return s.send(ctx, &Message{ID: newID(&change, c), To: c, Made: now, Items: []Item{newItem(Test, &change)}})
}
