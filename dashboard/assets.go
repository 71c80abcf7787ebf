package dashboard

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"net/http"
	"path"
	"slices"
	"strings"

	"ringwarden/dashboard/draw"
)

//go:embed static
var assetFiles embed.FS

// An asset is one file that pages load, with its compressed form.
type asset struct {
	kind       string
	plain, zip []byte
	tag        string // changes with the file: browsers may keep the address for a year
}

var assetKinds = map[string]string{
	".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8",
	".svg": "image/svg+xml", ".webmanifest": "application/manifest+json",
}

var assets = loadAssets()

func loadAssets() map[string]asset {
	files := map[string]asset{}
	entries, _ := assetFiles.ReadDir("static") // embedded: it is there
	for _, e := range entries {
		body, _ := assetFiles.ReadFile("static/" + e.Name()) // embedded: it is there
		switch e.Name() {                                    // one file for each kind: fewer round trips over a slow line
		case "print.css":
			continue // a part of style.css
		case "style.css":
			paper, _ := assetFiles.ReadFile("static/print.css")
			body = slices.Concat([]byte(draw.CSS()), body, paper)
		case "page.js":
			body = append(body, draw.Crosshair()...)
		}
		sum := sha256.Sum256(body)
		files[e.Name()] = asset{assetKinds[path.Ext(e.Name())], body, zipped(body, gzip.BestCompression), hex.EncodeToString(sum[:6])}
	}
	return files
}

// assetPath returns the address of an asset, for templates.
func assetPath(name string) string { return "/static/" + name + "?v=" + assets[name].tag }

func serveAsset(w http.ResponseWriter, r *http.Request) {
	a, ok := assets[r.PathValue("name")]
	if !ok {
		problem(w, http.StatusNotFound, "there is nothing at "+r.URL.Path)
		return
	}
	if r.URL.Query().Get("v") == a.tag {
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	w.Header().Set("Content-Type", a.kind)
	send(w, r, a.plain, a.zip)
}

// send answers with the compressed body if the reader takes it.
func send(w http.ResponseWriter, r *http.Request, plain, zip []byte) {
	w.Header().Add("Vary", "Accept-Encoding")
	body := plain
	if takesGzip(r) {
		if zip == nil && len(plain) > 1400 { // one packet is as good as none
			zip = zipped(plain, gzip.BestSpeed)
		}
		if zip != nil && len(zip) < len(plain) {
			w.Header().Set("Content-Encoding", "gzip")
			body = zip
		}
	}
	_, _ = w.Write(body) // a reader that has gone needs no answer
}

func takesGzip(r *http.Request) bool {
	for part := range strings.SplitSeq(r.Header.Get("Accept-Encoding"), ",") {
		name, weight, _ := strings.Cut(strings.TrimSpace(part), ";")
		if name == "gzip" && strings.ReplaceAll(weight, " ", "") != "q=0" {
			return true
		}
	}
	return false
}

func zipped(body []byte, level int) []byte {
	var b bytes.Buffer
	z, _ := gzip.NewWriterLevel(&b, level) // a level of the package's own
	_, _ = z.Write(body)                   // into memory
	_ = z.Close()
	return b.Bytes()
}
