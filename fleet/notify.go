package fleet

import "time"

// Notify says who is told of alarms, and how. The zero value tells nobody.
type Notify struct {
	Mail          *Mail // the server that takes mail; nil: no mail is sent
	Webhooks      []Webhook
	Alertmanagers []Alertmanager
	People        []Person
	Routes        []Route
	Remind        time.Duration // how often of what is urgent and unseen; 0: never
}

// Silent reports whether nobody is to be told of anything.
func (n *Notify) Silent() bool { return len(n.Routes) == 0 }

// Mail is the server that takes this program's mail.
type Mail struct {
	Server       string // host:port
	TLS          MailTLS
	From         string // the bare address that mail comes from
	User         string // empty: the server wants no login
	PasswordFile string // path of the file that holds the password
	CA           string // path of the PEM file that signs the server's certificate; empty: the system's own authorities
}

// MailTLS is how the way to the mail server is kept private.
type MailTLS string

// The ways to a mail server. With StartTLS a server that does not offer it is refused.
const (
	StartTLS    MailTLS = "starttls"
	ImplicitTLS MailTLS = "implicit"
	NoTLS       MailTLS = "none"
)

// A Webhook takes signed JSON over HTTP.
type Webhook struct {
	Name       string
	URL        string // absolute, http or https, without user and password
	SecretFile string // path of the file that holds the whsec_ secret
	CA         string // as in Mail
}

// An Alertmanager takes alerts over its HTTP API, version 2.
type Alertmanager struct {
	Name         string
	URL          string // as in Webhook, without the API's own path
	User         string // for basic authentication; empty: none
	PasswordFile string
	CA           string // as in Mail
	Resend       time.Duration
}

// A Person is told by mail, by a webhook of their own, or both.
type Person struct {
	Name    string
	Mail    string // bare address; empty: no mail
	Webhook string // name of a webhook; empty: none
	Quiet   Quiet
	// QuietUpTo is the highest priority that waits until the quiet hours are over.
	QuietUpTo Priority
}

// A Route says whom to tell of which alarms. Routes add up: each one that fits an alarm counts, and nobody is told
// twice of the same.
type Route struct {
	To    []string // names of people, webhooks and Alertmanagers
	At    Subject  // a site or ring and all that is inside; empty: everywhere
	Least Priority // alarms of a lower one are left out
}

// Quiet are hours of each day by a clock on the wall, from From until before Until, in minutes from midnight. Where
// Until is not after From they span midnight. The zero value is no hours at all.
type Quiet struct {
	From, Until int // 0 to 1439
}

// End returns when the quiet hours that t is in are over, by the clock of the zone, and false if t is in none. On a
// day whose clock is set, the hours are those that the clock shows.
func (q Quiet) End(t time.Time, zone *time.Location) (time.Time, bool) {
	local := t.In(zone)
	minute := local.Hour()*60 + local.Minute()
	day := local.Day()
	switch {
	case q.From == q.Until:
		return t, false
	case q.From < q.Until && (minute < q.From || minute >= q.Until):
		return t, false
	case q.From > q.Until && minute < q.From && minute >= q.Until:
		return t, false
	case q.From > q.Until && minute >= q.From:
		day++
	}
	end := time.Date(local.Year(), local.Month(), day, q.Until/60, q.Until%60, 0, 0, zone)
	return end, end.After(t)
}
