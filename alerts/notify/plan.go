package notify

import (
	"time"

	"ringwarden/fleet"
)

// A plan says who is told of what, and what places are called. It never changes.
type plan struct {
	notify *fleet.Notify
	people map[string]*fleet.Person
	hooks  map[string]*fleet.Webhook
	alerts map[string]*fleet.Alertmanager
	sites  map[fleet.SiteID]*fleet.Site
}

func newPlan(f *fleet.Fleet) *plan {
	n := &f.Notify
	p := &plan{
		notify: n, people: map[string]*fleet.Person{}, hooks: map[string]*fleet.Webhook{},
		alerts: map[string]*fleet.Alertmanager{}, sites: map[fleet.SiteID]*fleet.Site{},
	}
	for i := range n.People {
		p.people[n.People[i].Name] = &n.People[i]
	}
	for i := range n.Webhooks {
		p.hooks[n.Webhooks[i].Name] = &n.Webhooks[i]
	}
	for i := range n.Alertmanagers {
		p.alerts[n.Alertmanagers[i].Name] = &n.Alertmanagers[i]
	}
	for i := range f.Sites {
		p.sites[f.Sites[i].ID] = &f.Sites[i]
	}
	return p
}

// zone returns the zone of the site that an alarm is of.
func (p *plan) zone(at fleet.Subject) *time.Location {
	if s := p.sites[fleet.RingID(at).Site()]; s != nil {
		return s.Zone
	}
	return time.UTC
}

// channels returns every way by which an alarm is told, each once, in the order of the routes. What is wrong with the
// store is at no place: where no route is for everywhere, it is told by all of them, since it concerns them all.
func (p *plan) channels(a *fleet.Alarm) []Channel {
	all := p.routed(a, func(r *fleet.Route) bool { return a.Subject.Inside(r.At) })
	if len(all) == 0 && a.Subject == fleet.OwnStore {
		all = p.routed(a, func(*fleet.Route) bool { return true })
	}
	return all
}

// routed returns the ways of the routes that fit an alarm's place, as far as they are for its priority.
func (p *plan) routed(a *fleet.Alarm, fits func(*fleet.Route) bool) []Channel {
	var all []Channel
	known := map[Channel]bool{}
	for i := range p.notify.Routes {
		r := &p.notify.Routes[i]
		if a.Priority < r.Least || !fits(r) {
			continue
		}
		for _, name := range r.To {
			for _, c := range p.waysTo(name) {
				if !known[c] {
					known[c] = true
					all = append(all, c)
				}
			}
		}
	}
	return all
}

// waysTo returns the ways to a recipient; none if nobody is called so.
func (p *plan) waysTo(name string) []Channel {
	var ways []Channel
	if person := p.people[name]; person != nil {
		if person.Mail != "" && p.notify.Mail != nil {
			ways = append(ways, Channel{Via: ViaMail, Person: name})
		}
		if p.hooks[person.Webhook] != nil {
			ways = append(ways, Channel{Via: ViaWebhook, Sink: person.Webhook, Person: name})
		}
	}
	if p.hooks[name] != nil {
		ways = append(ways, Channel{Via: ViaWebhook, Sink: name})
	}
	if p.alerts[name] != nil {
		ways = append(ways, Channel{Via: ViaAlertmanager, Sink: name})
	}
	return ways
}

// recipients lists everybody who can be told, in the order of the fleet file.
func (p *plan) recipients() []string {
	var names []string
	for i := range p.notify.People {
		names = append(names, p.notify.People[i].Name)
	}
	for i := range p.notify.Webhooks {
		names = append(names, p.notify.Webhooks[i].Name)
	}
	for i := range p.notify.Alertmanagers {
		names = append(names, p.notify.Alertmanagers[i].Name)
	}
	return names
}

// quietEnd returns when a recipient's quiet hours are over, if an alarm has to wait for that.
func (p *plan) quietEnd(c Channel, a *fleet.Alarm, at time.Time) (time.Time, bool) {
	person := p.people[c.Person]
	if person == nil || a.Priority > person.QuietUpTo {
		return time.Time{}, false
	}
	return person.Quiet.End(at, p.zone(a.Subject))
}
