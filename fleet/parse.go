package fleet

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"gopkg.in/yaml.v3"

	"ringwarden/fleet/userfile"
)

// Load reads the fleet file at path and, besides what [Parse] checks, that the register maps and TLS files it names
// are there.
func Load(path string, kinds []KindInfo) (*Fleet, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("reading the fleet file: %w", err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, userfile.MaxSize+1))
	if err != nil {
		return nil, fmt.Errorf("reading the fleet file: %w", err)
	}
	p := parse(path, data, kinds)
	p.checkPaths()
	return p.result()
}

// Parse reads a fleet file. The name of the file serves in messages, and its folder for relative paths; nothing is
// opened. The rules are checked against kinds. The error holds every fault as a [userfile.Error]; see
// [userfile.Errors].
func Parse(file string, data []byte, kinds []KindInfo) (*Fleet, error) {
	return parse(file, data, kinds).result()
}

// A parser gathers what later checks need: where things stand, and by which name.
type parser struct {
	doc   *userfile.Document
	kinds []KindInfo
	fleet Fleet
	units []*unit            // all controllers, in the order of the file
	depth map[Subject]string // what each id is: "site", "ring", "controller" or "link"
	// nameless is set once a part of the fleet got no id, so that rules may well name something the parser lost.
	nameless bool
	paths    map[*yaml.Node]string // files that the fleet file names
	secrets  map[*yaml.Node]string // those that hold a secret
}

func parse(file string, data []byte, kinds []KindInfo) *parser {
	p := &parser{
		doc: userfile.Parse(file, data), kinds: kinds, fleet: Fleet{File: file},
		depth: map[Subject]string{}, paths: map[*yaml.Node]string{}, secrets: map[*yaml.Node]string{},
	}
	if p.doc.Root == nil {
		return p
	}
	if !p.version() {
		return p
	}
	s, ok := open(p.doc, p.doc.Root, "the fleet file", fileKeys)
	if !ok {
		return p
	}
	p.daemon(s)
	p.fleet.Periods = periods(s)
	p.keep(s)
	ids := newIDs("site")
	for _, n := range s.list("sites") {
		p.site(n, ids)
	}
	p.checkHosts()
	p.rules(s)
	p.notify(s)
	return p
}

func (p *parser) result() (*Fleet, error) {
	if err := p.doc.Err(); err != nil {
		return nil, err
	}
	return &p.fleet, nil
}

// version stops the reading of a file of another format, whose every key might be a fault by this one's rules.
func (p *parser) version() bool {
	only := fileKeys.form("format").(versionForm).only
	m, ok := p.doc.Entries(p.doc.Root, "the fleet file")
	if !ok {
		return false
	}
	n, ok := m.Get("format")
	if !ok {
		return true // that is said later; the rest is worth checking
	}
	v, ok := p.doc.Integer(n, "format", 0, 1<<31)
	if ok && int(v) != only {
		p.doc.Faultf(n, "format is %d; this program reads format %d", v, only)
		return false
	}
	return true
}

func (p *parser) daemon(s *section) {
	f := &p.fleet
	f.Listen, f.Store, f.Commit = DefaultListen, p.resolve(DefaultStore), DefaultCommit
	f.PlainHTTP = s.truth("plain_http")
	p.users(s)
	if listen, ok := s.text("listen"); ok {
		f.Listen = listen
		switch fault := checkHostPort(listen, true); {
		case fault != "":
			p.doc.Faultf(s.at("listen"), "listen %s %s; write host:port, such as %s", quoted(listen), fault, DefaultListen)
		case !s.m.Has("web") && !LoopbackOnly(listen):
			p.doc.Faultf(s.at("listen"), "listen %s could be reached from other machines, and nobody has to log in; name a web "+
				"configuration with users and a certificate (web: web.yaml), or listen on %s", quoted(listen), DefaultListen)
		}
	}
	if store, ok := s.path("store"); ok {
		f.Store = p.resolve(store)
	}
	if commit, ok := s.span("commit"); ok {
		f.Commit = commit
	}
}

// users reads who may use the daemon's pages.
func (p *parser) users(s *section) {
	if web, ok := s.path("web"); ok {
		p.fleet.Web = p.resolve(web)
		p.paths[s.at("web")] = p.fleet.Web
	}
	for _, item := range s.list("operators") {
		if name, ok := s.doc.Text(item, "an operator"); ok {
			p.fleet.Operators = append(p.fleet.Operators, name)
		}
	}
	if len(p.fleet.Operators) > 0 && !s.m.Has("web") {
		s.doc.Faultf(s.at("operators"), "operators are users of a web configuration; name it, as in web: web.yaml")
	}
}

func periods(file *section) Periods {
	v := DefaultPeriods
	s, ok := file.part("periods", "periods")
	if !ok {
		return v
	}
	if d, ok := s.span("fast"); ok {
		v.Fast = d
	}
	if d, ok := s.span("normal"); ok {
		v.Normal = d
	}
	if d, ok := s.span("slow"); ok {
		v.Slow = d
	}
	for _, g := range []Group{Normal, Slow} {
		if v.Of(g)%v.Fast != 0 {
			s.doc.Faultf(s.at(g.String()), "%s (%s) must be a whole multiple of fast (%s), so that both fall on one grid", g, userfile.Span(v.Of(g)), userfile.Span(v.Fast))
		}
	}
	if v.Slow < v.Normal {
		s.doc.Faultf(s.at("slow"), "slow (%s) must not be shorter than normal (%s)", userfile.Span(v.Slow), userfile.Span(v.Normal))
	}
	return v
}

// path reads a path of the user's.
func (s *section) path(name string) (string, bool) {
	path, ok := s.text(name)
	switch {
	case !ok:
		return "", false
	case strings.Contains(path, "-----BEGIN"):
		s.doc.Faultf(s.at(name), "%s must be the path of a PEM file; keep its text out of this file, which people copy and print", name)
		return "", false
	case strings.Contains(path, "whsec_"):
		s.doc.Faultf(s.at(name), "%s must be the path of a file; this is a secret, which belongs in none that people copy and print", name)
		return "", false
	case strings.HasPrefix(path, "~"):
		s.doc.Faultf(s.at(name), "%s %s: ~ is not read here; write the whole path, or one relative to this file", name, quoted(path))
		return "", false
	case strings.ContainsRune(path, 0):
		s.doc.Faultf(s.at(name), "%s has a zero byte, which no path has", name)
		return "", false
	}
	return path, true
}

// resolve returns a path that is relative to the fleet file as one that can be opened.
func (p *parser) resolve(path string) string {
	if filepath.IsAbs(path) {
		return filepath.Clean(path)
	}
	return filepath.Join(filepath.Dir(p.doc.File), path)
}

// checkPaths reports files that are not there. A file that this user may not read is left to whoever opens it.
func (p *parser) checkPaths() {
	for n, path := range p.paths {
		info, err := os.Stat(path)
		switch {
		case os.IsNotExist(err):
			p.doc.Faultf(n, "there is no file %q%s", path, neighbourHint(path))
		case err == nil && info.IsDir():
			p.doc.Faultf(n, "%q is a folder; name a file", path)
		}
	}
	for n, path := range p.secrets {
		// What stands there may be the secret itself, put in the wrong place: it is not said again.
		if info, err := os.Stat(path); os.IsNotExist(err) || err == nil && info.IsDir() {
			p.doc.Faultf(n, "there is no file of that name; write the path of a file that holds the secret, and the secret nowhere but in that file")
		}
	}
}

func neighbourHint(path string) string {
	entries, err := os.ReadDir(filepath.Dir(path))
	if err != nil {
		return ", nor its folder"
	}
	names := make([]string, len(entries))
	for i, e := range entries {
		names[i] = e.Name()
	}
	if guess := userfile.Suggest(filepath.Base(path), names); guess != "" {
		return "; did you mean " + quoted(guess) + "?"
	}
	return ""
}
