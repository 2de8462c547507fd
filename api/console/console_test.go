package console

import (
	"compress/gzip"
	"io"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func get(t *testing.T, path string, headers ...string) *http.Response {
	t.Helper()
	r := httptest.NewRequest("GET", "http://127.0.0.1/"+path, nil)
	for i := 0; i < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	http.StripPrefix("/", Handler()).ServeHTTP(w, r)
	return w.Result()
}

func body(t *testing.T, r *http.Response) string {
	t.Helper()
	var from io.Reader = r.Body
	if r.Header.Get("Content-Encoding") == "gzip" {
		z, err := gzip.NewReader(r.Body)
		require.NoError(t, err)
		from = z
	}
	b, err := io.ReadAll(from)
	require.NoError(t, err)
	return string(b)
}

// TestFiles: every file with its type, policy and how long it may be kept.
func TestFiles(t *testing.T) {
	page := get(t, "")
	require.Equal(t, 200, page.StatusCode)
	require.Equal(t, "text/html; charset=utf-8", page.Header.Get("Content-Type"))
	require.Equal(t, "no-cache", page.Header.Get("Cache-Control"))
	require.Equal(t, Policy, page.Header.Get("Content-Security-Policy"))
	require.NotContains(t, Policy, "unsafe")
	require.Equal(t, "nosniff", page.Header.Get("X-Content-Type-Options"))
	require.Equal(t, "no-referrer", page.Header.Get("Referrer-Policy"))
	html := body(t, page)
	require.NotRegexp(t, `<script[^>]*>[^<]|<style|style=| on\w+=`, html, "nothing stands in the page itself")

	name := regexp.MustCompile(`main-[A-Z0-9]{8}\.js`).FindString(html)
	script := get(t, name, "Accept-Encoding", "br, gzip")
	require.Equal(t, "text/javascript; charset=utf-8", script.Header.Get("Content-Type"))
	require.Contains(t, script.Header.Get("Cache-Control"), "immutable")
	require.Equal(t, "gzip", script.Header.Get("Content-Encoding"))
	require.Equal(t, body(t, get(t, name)), body(t, script))
	require.Equal(t, 304, get(t, name, "If-None-Match", script.Header.Get("ETag")).StatusCode)
	require.Empty(t, get(t, name, "Accept-Encoding", "gzip;q=0").Header.Get("Content-Encoding"))

	// The service worker keeps all that pages are made of, but not the editor.
	worker := get(t, "sw.js")
	require.Equal(t, "no-cache", worker.Header.Get("Cache-Control"), "its name never changes")
	keeps := body(t, worker)
	entries, err := dist.ReadDir("dist")
	require.NoError(t, err)
	for _, e := range entries {
		if digested.MatchString(e.Name()) {
			require.Equal(t, !strings.HasPrefix(e.Name(), "editor_open"), strings.Contains(keeps, `"`+e.Name()+`"`), e.Name())
		}
	}

	require.Equal(t, "image/svg+xml", get(t, "icon.svg").Header.Get("Content-Type"))
	require.Contains(t, body(t, get(t, "NOTICE.txt")), "preact")
	for _, none := range []string{"src/main.tsx", "../console.go", "dist/index.html", "x"} {
		require.Equal(t, 404, get(t, none).StatusCode, none)
	}
}

// TestOnlyRead: files can't be written to.
func TestOnlyRead(t *testing.T) {
	w := httptest.NewRecorder()
	http.StripPrefix("/", Handler()).ServeHTTP(w, httptest.NewRequest("POST", "http://127.0.0.1/index.html", nil))
	require.Equal(t, 405, w.Code)
}

// firstPage is how many compressed bytes the first page may have.
const firstPage = 150_000

// TestFirstPage adds up what a browser fetches for the first page: the page, its styles and its scripts with
// all that they import at once, and the module of the page that is shown.
func TestFirstPage(t *testing.T) {
	imports := regexp.MustCompile(`(?:from|import)\s*"\./([^"]+\.js)"`)
	sizes := map[string]int{}
	var add func(name string)
	add = func(name string) {
		if _, ok := sizes[name]; ok {
			return
		}
		r := get(t, name, "Accept-Encoding", "gzip")
		require.Equal(t, 200, r.StatusCode, name)
		b, err := io.ReadAll(r.Body)
		require.NoError(t, err)
		sizes[name] = len(b)
		if strings.HasSuffix(name, ".js") {
			for _, m := range imports.FindAllStringSubmatch(body(t, get(t, name)), -1) {
				add(m[1])
			}
		}
	}
	html := body(t, get(t, ""))
	add("index.html")
	add("icon.svg")
	for _, name := range regexp.MustCompile(`main-[A-Z0-9]{8}\.(?:js|css)`).FindAllString(html, -1) {
		add(name)
		if strings.HasSuffix(name, ".js") {
			add(regexp.MustCompile(`now-[A-Z0-9]{8}\.js`).FindString(body(t, get(t, name))))
		}
	}
	sum := 0
	for name, n := range sizes {
		sum += n
		require.NotContains(t, name, "editor_open", "the editor is fetched when it is needed")
		require.NotContains(t, name, "plot_draw", "plots are fetched when they are needed")
	}
	t.Logf("the first page takes %d bytes in %d files", sum, len(sizes))
	require.Greater(t, len(sizes), 4)
	require.Less(t, sum, firstPage)
}
