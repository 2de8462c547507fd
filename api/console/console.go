// Package console serves the pages that the people of a shop keep open, from files that are embedded in
// the binary. They are clients of the public API and of nothing else: what a page can do, curl can.
//
//	src/  ─┐  go run ./api/console/build                     browser ──▶ /console/  files, no data
//	npm/  ─┴─────────────▶ dist/ ──▶ embedded in the binary          ──▶ /v1/...    with a session's cookie
//
// README.md is for who builds pages. Files hold no data and need no key; signing in and all else is the
// API's (package kit).
//
// The Content-Security-Policy lets a page run scripts and styles from this server alone, and none that
// stand in the page. Files with a digest in their names never change, and a browser keeps them; the page
// itself is asked for each time.
package console

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"regexp"
	"strconv"
	"strings"
	"sync"
)

// Prefix is where the handler is to be mounted.
const Prefix = "/console/"

//go:embed dist
var dist embed.FS

// Policy is the Content-Security-Policy of the pages. Scripts can't make scripts of text, but for the
// service worker, whose address the policy "console" lets through.
const Policy = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'; " +
	"worker-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; " +
	"require-trusted-types-for 'script'; trusted-types console"

// file is one file with what is answered of it.
type file struct {
	plain   []byte
	zipped  func() []byte // compressed when it is first asked for, nil if that is no shorter
	media   string
	tag     string // ETag
	forever bool   // its name has a digest: what it holds never changes
}

// digested are names that the bundler made.
var digested = regexp.MustCompile(`-[A-Z0-9]{8}\.(js|css)$`)

// Handler returns the handler of the pages, below Prefix, which must be taken off the path.
func Handler() http.Handler {
	files := make(map[string]*file)
	err := fs.WalkDir(dist, "dist", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := dist.ReadFile(name)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(b)
		files[strings.TrimPrefix(name, "dist/")] = &file{
			plain: b, zipped: sync.OnceValue(func() []byte { return zip(b) }), media: mediaType(name),
			tag: `"` + hex.EncodeToString(sum[:16]) + `"`, forever: digested.MatchString(name),
		}
		return nil
	})
	if err != nil {
		panic(err) // what is embedded can be read
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		name := r.URL.Path
		if name == "" {
			name = "index.html"
		}
		f := files[name]
		h := w.Header()
		h.Set("Content-Security-Policy", Policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=(), payment=(), usb=()")
		switch {
		case r.Method != http.MethodGet && r.Method != http.MethodHead:
			h.Set("Allow", "GET, HEAD")
			http.Error(w, "the console's files can only be read", http.StatusMethodNotAllowed)
		case f == nil:
			http.Error(w, "the console has no such file; it begins at "+Prefix, http.StatusNotFound)
		default:
			f.serve(w, r)
		}
	})
}

func (f *file) serve(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Cache-Control", "no-cache")
	if f.forever {
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	h.Set("ETag", f.tag)
	h.Set("Vary", "Accept-Encoding")
	if strings.Contains(r.Header.Get("If-None-Match"), f.tag) {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	body := f.plain
	if z := f.zipped(); z != nil && acceptsGzip(r) {
		body = z
		h.Set("Content-Encoding", "gzip")
	}
	h.Set("Content-Type", f.media)
	h.Set("Content-Length", strconv.Itoa(len(body)))
	if r.Method == http.MethodGet {
		_, _ = w.Write(body)
	}
}

// acceptsGzip reports whether the client takes gzip (RFC 9110, section 12.5.3).
func acceptsGzip(r *http.Request) bool {
	for part := range strings.SplitSeq(r.Header.Get("Accept-Encoding"), ",") {
		coding, q, _ := strings.Cut(part, ";")
		if strings.TrimSpace(coding) == "gzip" {
			weight, err := strconv.ParseFloat(strings.TrimPrefix(strings.TrimSpace(q), "q="), 64)
			return q == "" || err == nil && weight > 0
		}
	}
	return false
}

func mediaType(name string) string {
	switch path.Ext(name) {
	case ".js":
		return "text/javascript; charset=utf-8"
	case ".webmanifest":
		return "application/manifest+json"
	}
	return mime.TypeByExtension(path.Ext(name))
}

// zip compresses b, nil if it is no shorter then.
func zip(b []byte) []byte {
	var out bytes.Buffer
	z, err := gzip.NewWriterLevel(&out, gzip.BestCompression)
	if err == nil {
		_, err = io.Copy(z, bytes.NewReader(b))
	}
	if err != nil || z.Close() != nil || out.Len() >= len(b) {
		return nil
	}
	return out.Bytes()
}
