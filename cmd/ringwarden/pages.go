package main

import (
	"context"
	"fmt"
	"iter"
	"net/http"
	"strings"
	"time"

	"ringwarden/alerts"
	"ringwarden/cmd/ringwarden/road"
	"ringwarden/dashboard"
	"ringwarden/fleet"
	"ringwarden/store"
)

// live returns what the pages show, with the day so far.
func (d *daemon) live(ctx context.Context, judged *fleet.Fleet, journal *store.Store) *dashboard.Live {
	l := dashboard.NewLive(judged)
	until, err := l.Recall(ctx, d.time.of(time.Now()), func(ctx context.Context, from time.Time) iter.Seq2[fleet.Frame, error] {
		return journal.Frames(ctx, store.Query{From: from})
	})
	switch {
	case err != nil && ctx.Err() == nil:
		d.log.Error("reading back the day so far; the pages begin with what comes now", "error", err)
	case !until.IsZero():
		d.log.Warn("the day so far was read back in part, since there is much of it: today's curves and energy lack the rest; reports do not",
			"until", until)
	}
	return l
}

// pages says what the pages show, and who may do what there.
func (d *daemon) pages(metricsPage http.Handler, r *road.Road, journal *store.Store, live *dashboard.Live, engine *alerts.Engine, users *dashboard.Users) dashboard.Options {
	now := func() time.Time { return d.time.of(time.Now().Round(0)) }
	return dashboard.Options{
		Metrics: metricsPage,
		Alarms:  alarmSource{r, journal},
		Live:    live,
		Journal: journal,
		Studies: dashboard.NewStudies(journal, live, now),
		Act: func(ctx context.Context, a dashboard.Action) error {
			if a.Verb == dashboard.Comment {
				return journal.PutNote(ctx, a.Note(now()))
			}
			return r.Act(func() ([]fleet.Change, error) { return act(engine, &a, now()) })
		},
		Ready:   r.Ready,
		Exposed: !fleet.LoopbackOnly(d.plant.fleet.Listen),
		Users:   users,
		Cables:  d.cables,
		Now:     now,
	}
}

// users returns who may log in to the pages; nil: nobody has to, since only this machine reaches them. An address that
// other machines reach wants users, and a certificate or the fleet file's explicit word that plain HTTP is wanted.
func users(f *fleet.Fleet) (*dashboard.Users, error) {
	if f.Web == "" {
		return nil, dashboard.CheckListen(f.Listen)
	}
	u, err := dashboard.LoadUsers(f.Web, f.Operators)
	if err != nil {
		return nil, err
	}
	if !u.Encrypted() && !f.PlainHTTP && !fleet.LoopbackOnly(f.Listen) {
		return nil, fmt.Errorf("%s has no certificate, so passwords would reach %s in clear; write "+
			"tls_server_config: {cert_file: pages.pem, key_file: pages.key} into it, or plain_http: true into the fleet file if the network is trusted", f.Web, f.Listen)
	}
	return u, nil
}

// accessWords says who reaches the pages.
func accessWords(f *fleet.Fleet, who *dashboard.Users) string {
	switch {
	case who == nil:
		return "for this machine alone; nobody logs in"
	case len(f.Operators) == 0:
		return "for users of " + f.Web + ", who look; no operators are named, so nobody acknowledges alarms"
	case !who.Encrypted():
		return "for users of " + f.Web + ", in clear; who acts: " + strings.Join(f.Operators, ", ")
	}
	return "for users of " + f.Web + ", with a certificate; who acts: " + strings.Join(f.Operators, ", ")
}

// act does with the engine what a person asks.
func act(e *alerts.Engine, a *dashboard.Action, now time.Time) ([]fleet.Change, error) {
	one := func(c fleet.Change, err error) ([]fleet.Change, error) {
		if err != nil {
			return nil, err
		}
		return []fleet.Change{c}, nil
	}
	switch a.Verb {
	case dashboard.Shelve:
		return one(e.Shelve(a.Key, alerts.Shelving{Until: now.Add(a.For), OneShot: a.OneShot, Who: a.Who, Why: a.Why}, now))
	case dashboard.Unshelve:
		return one(e.Unshelve(a.Key, a.Who, a.Why, now))
	case dashboard.TakeOut:
		return e.TakeOutOfService(alerts.Order{At: a.Key.Subject, Kinds: a.Kinds, Until: now.Add(a.For), Who: a.Who, Why: a.Why}, now)
	case dashboard.Return:
		return e.ReturnToService(a.Key.Subject, a.Who, a.Why, now)
	}
	return one(e.Acknowledge(a.Key, a.Who, a.Why, now))
}

// alarmSource answers from the engine what stands, and from the store what was.
type alarmSource struct {
	road    *road.Road
	journal *store.Store
}

func (s alarmSource) Standing(context.Context) ([]fleet.Alarm, error) { return s.road.Alarms(), nil }

func (s alarmSource) Changes(ctx context.Context, from, to time.Time) iter.Seq2[fleet.Change, error] {
	return s.journal.Changes(ctx, from, to)
}
