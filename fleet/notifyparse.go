package fleet

import (
	"cmp"
	"net/mail"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"gopkg.in/yaml.v3"

	"ringwarden/fleet/userfile"
)

// notify reads who is told of alarms. It needs all sites to have been read.
func (p *parser) notify(file *section) {
	s, ok := file.part("notify", "notify")
	if !ok {
		return
	}
	r := notifyReader{p: p, named: map[string]*yaml.Node{}, kind: map[string]string{}, routed: map[string]bool{}}
	n := &p.fleet.Notify
	if word, _ := s.word("remind"); word != remindNever {
		n.Remind, _ = time.ParseDuration(cmp.Or(word, defaultRemind)) // a word of the list, or a fault that is told
	}
	if m, ok := s.part("mail", "mail"); ok {
		n.Mail = r.mail(m)
	}
	for _, item := range s.list("webhooks") {
		r.webhook(item)
	}
	for _, item := range s.list("alertmanagers") {
		r.alertmanager(item)
	}
	for _, item := range s.list("people") {
		r.person(item)
	}
	for _, item := range s.list("routes") {
		r.route(item)
	}
	for name, place := range r.named {
		if !r.routed[name] {
			p.doc.Faultf(place, "no route leads to %s; name it in the to of a route, or leave it out", quoted(name))
		}
	}
}

// A notifyReader gathers names, so that those who use them can be checked.
type notifyReader struct {
	p      *parser
	named  map[string]*yaml.Node // who can be told, and where it stands
	kind   map[string]string     // what each is: "webhook", "alertmanager" or "person"
	routed map[string]bool       // who is told
}

// open opens an item of a list and takes its name.
func (r *notifyReader) open(n *yaml.Node, kind string, k keys) (s *section, name string, ok bool) {
	s, ok = open(r.p.doc, n, titled(kind, n), k)
	if !ok {
		return s, "", false
	}
	if name, ok = s.plain("name"); !ok {
		return s, "", false
	}
	if first, doubled := r.named[name]; doubled {
		s.doc.Faultf(s.at("name"), "the name %s is taken in line %d; routes could not tell them apart", quoted(name), first.Line)
		return s, "", false
	}
	r.named[name], r.kind[name] = s.at("name"), kind
	return s, name, true
}

func (r *notifyReader) mail(s *section) *Mail {
	m := &Mail{TLS: StartTLS}
	if server, ok := s.text("server"); ok {
		m.Server = server
		if fault := checkHostPort(server, false); fault != "" {
			s.doc.Faultf(s.at("server"), "server %s %s; write host:port, such as mail.example:587", quoted(server), fault)
		}
	}
	if word, ok := s.word("tls"); ok {
		m.TLS = MailTLS(word)
	}
	m.From = s.address("from")
	m.User, m.PasswordFile = r.login(s)
	m.CA = r.authority(s)
	if m.TLS == NoTLS && m.User != "" {
		s.doc.Faultf(s.at("tls"), "with tls: none the password would travel where everybody can read it; leave out user and password_file, or tls")
	}
	return m
}

// login reads a user with the file of the password: both or neither.
func (r *notifyReader) login(s *section) (user, file string) {
	user, _ = s.plain("user")
	file = r.secret(s, "password_file")
	switch {
	case s.m.Has("user") && !s.m.Has("password_file"):
		s.doc.Faultf(s.at("user"), "user has no password_file; name the file that holds the password")
	case !s.m.Has("user") && s.m.Has("password_file"):
		s.doc.Faultf(s.at("password_file"), "password_file has no user; say whose password it is")
	}
	return user, file
}

func (r *notifyReader) authority(s *section) string {
	path, ok := s.path("ca")
	if !ok {
		return ""
	}
	path = r.p.resolve(path)
	r.p.paths[s.at("ca")] = path
	return path
}

var secretItself = regexp.MustCompile(`whsec_|-----BEGIN|[[:cntrl:]]`)

// secret reads the path of a file that holds a secret. What stands there is never repeated: it may be the secret.
func (r *notifyReader) secret(s *section, name string) string {
	path, ok := s.text(name)
	if !ok {
		return ""
	}
	switch {
	case secretItself.MatchString(path):
		s.doc.Faultf(s.at(name), "%s must be the path of a file; keep the secret itself out of this file, which people copy and print, and take another one now", name)
		return ""
	case strings.HasPrefix(path, "~"):
		s.doc.Faultf(s.at(name), "%s: ~ is not read here; write the whole path, or one relative to this file", name)
		return ""
	}
	path = r.p.resolve(path)
	r.p.secrets[s.at(name)] = path
	return path
}

// plain reads a name: one line that is no secret.
func (s *section) plain(name string) (string, bool) {
	text, ok := s.text(name)
	if ok && (len(text) > 100 || secretItself.MatchString(text)) {
		s.doc.Faultf(s.at(name), "%s must be a short line of text", name)
		return "", false
	}
	return text, ok
}

// url reads where to post. It is not repeated in messages: with some services its path is as good as a password.
func (s *section) url(name string) string {
	text, ok := s.text(name)
	if !ok {
		return ""
	}
	u, err := url.Parse(text)
	port := 0
	if err == nil && u.Port() != "" {
		port, err = strconv.Atoi(u.Port())
	}
	fault := ""
	switch {
	case err != nil || u.Host == "" || u.Hostname() == "" || u.Opaque != "" || port < 0 || port > 65535 || secretItself.MatchString(text):
		fault = "is no address such as https://desk.example/alarms"
	case u.Scheme != "http" && u.Scheme != "https":
		fault = "must begin with https:// or http://"
	case u.User != nil:
		fault = "holds a user or password; keep them out of this file, which people copy and print"
	case u.Fragment != "":
		fault = "has a part after #, which is never sent"
	default:
		return text
	}
	s.doc.Faultf(s.at(name), "%s %s", name, fault)
	return ""
}

// address reads a bare mail address.
func (s *section) address(name string) string {
	text, ok := s.text(name)
	if !ok {
		return ""
	}
	if a, err := mail.ParseAddress(text); err != nil || a.Address != text || !strings.Contains(text, "@") {
		s.doc.Faultf(s.at(name), "%s %s is no mail address; write it alone, such as maren@mill.example", name, quoted(text))
		return ""
	}
	return text
}

func (r *notifyReader) webhook(n *yaml.Node) {
	s, name, ok := r.open(n, "webhook", webhookKeys)
	w := Webhook{Name: name, URL: s.url("url"), SecretFile: r.secret(s, "secret_file"), CA: r.authority(s)}
	if ok {
		r.p.fleet.Notify.Webhooks = append(r.p.fleet.Notify.Webhooks, w)
	}
}

func (r *notifyReader) alertmanager(n *yaml.Node) {
	s, name, ok := r.open(n, "alertmanager", alertmanagerKeys)
	a := Alertmanager{Name: name, URL: strings.TrimSuffix(s.url("url"), "/"), Resend: DefaultResend, CA: r.authority(s)}
	if strings.HasSuffix(a.URL, "/api/v2/alerts") || strings.HasSuffix(a.URL, "/api/v2") {
		s.doc.Faultf(s.at("url"), "url must not have the path of the API; write it without /api/v2")
	}
	if strings.Contains(a.URL, "?") {
		s.doc.Faultf(s.at("url"), "url must not have a part after ?, since the path of the API is put behind it")
	}
	a.User, a.PasswordFile = r.login(s)
	if d, ok := s.span("resend"); ok {
		a.Resend = d
	}
	if ok {
		r.p.fleet.Notify.Alertmanagers = append(r.p.fleet.Notify.Alertmanagers, a)
	}
}

func (r *notifyReader) person(n *yaml.Node) {
	s, name, ok := r.open(n, "person", personKeys)
	p := Person{Name: name, Mail: s.address("mail"), Quiet: s.hours("quiet")}
	if p.Mail != "" && r.p.fleet.Notify.Mail == nil {
		s.doc.Faultf(s.at("mail"), "mail is of no use without a mail server; say under notify, mail which server takes it")
	}
	if hook, ok := s.text("webhook"); ok {
		p.Webhook = hook
		if r.kind[hook] != "webhook" {
			s.doc.Faultf(s.at("webhook"), "no webhook is called %s%s", quoted(hook), userfile.Hint(hook, r.names("webhook")))
		}
		r.routed[hook] = true // it need not be in a route of its own
	}
	if !s.m.Has("mail") && !s.m.Has("webhook") {
		s.doc.Faultf(s.m.Node, "%s cannot be reached; give a mail address, a webhook, or both", s.what)
	}
	if word, ok := s.word("quiet_up_to"); ok {
		p.QuietUpTo, _ = ParsePriority(word)
		if !s.m.Has("quiet") {
			s.doc.Faultf(s.at("quiet_up_to"), "quiet_up_to is of no use without quiet; say which hours are quiet, such as 22:00-07:00")
		}
	}
	if ok {
		r.p.fleet.Notify.People = append(r.p.fleet.Notify.People, p)
	}
}

var hoursOfDay = regexp.MustCompile(hoursPattern)

// hours reads hours of the day.
func (s *section) hours(name string) Quiet {
	text, ok := s.text(name)
	if !ok {
		return Quiet{}
	}
	if !hoursOfDay.MatchString(text) {
		s.doc.Faultf(s.at(name), "%s must be two times of day from 00:00 to 23:59, such as 22:00-07:00, not %s", name, quoted(text))
		return Quiet{}
	}
	minutes := func(at int) int {
		h, _ := strconv.Atoi(text[at : at+2])
		m, _ := strconv.Atoi(text[at+3 : at+5])
		return h*60 + m
	}
	q := Quiet{From: minutes(0), Until: minutes(6)}
	if q.From == q.Until {
		s.doc.Faultf(s.at(name), "%s begins and ends at the same time; leave it out for no quiet hours", name)
	}
	return q
}

func (r *notifyReader) route(n *yaml.Node) {
	s, ok := open(r.p.doc, n, "a route", routeKeys)
	if !ok {
		return
	}
	route := Route{To: r.recipients(s)}
	if word, ok := s.word("priority"); ok {
		route.Least, _ = ParsePriority(word)
	}
	if at, ok := s.text("at"); ok {
		route.At = Subject(at)
		r.p.checkRouteAt(s, route.At)
	}
	r.p.fleet.Notify.Routes = append(r.p.fleet.Notify.Routes, route)
}

func (r *notifyReader) recipients(s *section) []string {
	var to []string
	seen := map[string]bool{}
	for _, item := range s.list("to") {
		name, ok := s.doc.Text(item, "a name in to")
		if !ok {
			continue
		}
		switch {
		case r.kind[name] == "":
			s.doc.Faultf(item, "nobody here is called %s%s", quoted(name), userfile.Hint(name, r.names("")))
		case seen[name]:
			s.doc.Faultf(item, "%s stands in this to twice", quoted(name))
		default:
			to = append(to, name)
		}
		seen[name], r.routed[name] = true, true
	}
	return to
}

// names lists who can be told; kind "" is everybody.
func (r *notifyReader) names(kind string) []string {
	var names []string
	for _, name := range sortedKeys(r.named) {
		if kind == "" || r.kind[name] == kind {
			names = append(names, name)
		}
	}
	return names
}

func (p *parser) checkRouteAt(s *section, at Subject) {
	depth, ok := p.depth[at]
	switch {
	case depth == "site", depth == "ring", !ok && p.nameless:
	case ok:
		s.doc.Faultf(s.at("at"), "at %s is a %s; a route is for a site or a ring", quoted(string(at)), depth)
	default:
		var known []string
		for id, d := range p.depth {
			if d == "site" || d == "ring" {
				known = append(known, string(id))
			}
		}
		p.doc.Faultf(s.at("at"), "at %s names no site or ring in this file%s", quoted(string(at)), userfile.Hint(string(at), slices.Sorted(slices.Values(known))))
	}
}
