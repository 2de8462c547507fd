package api

import (
	"bytes"
	"fmt"
	"io"
	"mime"
	"net/http"
	"time"

	"lintel/engine/sheet"
)

// The media types of tables, beside CSV.
const (
	mediaXLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
	mediaHTML = "text/html"
)

// form is one way in which a table is answered.
type form struct {
	suffix string // of the path; "" by Accept
	media  string // "" by Accept
}

var (
	formCSV   = form{".csv", mediaCSV}
	formXLSX  = form{".xlsx", mediaXLSX}
	formHTML  = form{".html", mediaHTML}
	formLines = form{".jsonl", mediaNDJSON}
)

var paramDefuse = param{"defuse", "query", "CSV: 1, the default, puts an apostrophe before a text that a spreadsheet would run as a formula; 0 leaves all texts as they are, for programs.",
	map[string]any{"type": "string", "enum": []string{"0", "1"}, "default": "1"}}

// inForms makes a route of a table: the base, which answers JSON or what Accept asks for, and one with a suffix for each form, so that a link can ask too.
func inForms(base route, v any, handle func(*call, form) error, forms ...form) []route {
	bodies := inJSON(v)
	for _, f := range forms {
		bodies = append(bodies, content{f.media, nil})
	}
	base.answers = []answer{{200, base.answers[0].about, bodies}}
	base.codes = append(base.codes, codeNotAcceptable)
	base.params = append(base.params, paramDefuse)
	base.handle = func(c *call) error {
		media := make([]string, len(bodies))
		for i := range bodies {
			media[i] = bodies[i].mediaType
		}
		wanted, err := c.accepts(media...)
		if err != nil {
			return err
		}
		return handle(c, form{media: wanted})
	}
	routes := []route{base}
	for _, f := range forms {
		routes = append(routes, inForm(base, f, handle))
	}
	return routes
}

// inForm makes the route with a suffix.
func inForm(base route, f form, handle func(*call, form) error) route {
	r := base
	r.path += f.suffix
	r.name += map[string]string{".csv": "CSV", ".xlsx": "XLSX", ".html": "Page", ".jsonl": "Lines"}[f.suffix]
	r.summary += map[string]string{".csv": ", as CSV", ".xlsx": ", as a workbook", ".html": ", as a page to print", ".jsonl": ", one JSON object a line"}[f.suffix]
	r.answers = []answer{{200, base.answers[0].about, []content{{f.media, nil}}}}
	r.codes = nil
	for _, code := range base.codes {
		if code != codeNotAcceptable {
			r.codes = append(r.codes, code)
		}
	}
	r.handle = func(c *call) error { return handle(c, f) }
	return r
}

// writeTable writes a table in a form.
func (c *call) writeTable(w io.Writer, media string, t sheet.Table) error {
	switch media {
	case mediaCSV:
		return sheet.WriteCSV(w, t, sheet.CSVOptions{Defuse: c.QueryParam("defuse") != "0"})
	case mediaXLSX:
		return sheet.WriteXLSX(w, t, sheet.XLSXOptions{})
	case mediaHTML:
		return sheet.WriteHTML(w, t)
	case mediaNDJSON:
		return sheet.WriteJSONLines(w, t)
	}
	return fmt.Errorf("there is no table as %s", media)
}

// tableHead sets the headers that go with a table.
func (c *call) tableHead(media, file string) {
	h := c.Response().Header()
	switch media {
	case mediaCSV:
		h.Set("Content-Type", mediaCSV+"; charset=utf-8; header=present")
	case mediaHTML:
		h.Set("Content-Type", mediaHTML+"; charset=utf-8")
		h.Set("Content-Security-Policy", "default-src 'none'; style-src "+sheet.StyleSource())
		return
	default:
		h.Set("Content-Type", media)
	}
	suffix := map[string]string{mediaCSV: ".csv", mediaXLSX: ".xlsx", mediaNDJSON: ".jsonl"}[media]
	h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": file + suffix}))
}

// answerTable answers with a table whose rows are at hand.
func (c *call) answerTable(media, file string, t sheet.Table) error {
	if _, err := c.flag("defuse"); err != nil {
		return err
	}
	var buf bytes.Buffer
	if err := c.writeTable(&buf, media, t); err != nil {
		return err
	}
	c.tableHead(media, file)
	c.Response().WriteHeader(http.StatusOK)
	_, err := c.Response().Write(buf.Bytes())
	return err
}

// streamTable answers with a table of any length. If its rows end in an error, the connection is broken off, so that nobody takes a part for the whole.
func (c *call) streamTable(media, file string, t sheet.Table) error {
	if _, err := c.flag("defuse"); err != nil {
		return err
	}
	c.tableHead(media, file)
	return c.brokenOff(c.writeTable(&deadlineWriter{c: c}, media, t))
}

// brokenOff ends an answer whose head may be out: with an error its connection is broken.
func (c *call) brokenOff(err error) error {
	if err == nil || !c.Response().Committed {
		return err
	}
	c.api.log.Warn("an answer was broken off", "request", c.Response().Header().Get(headerRequestID), "route", c.Path(), "err", err)
	_ = http.NewResponseController(c.Response()).SetWriteDeadline(time.Now().Add(-time.Second)) // the end of the body can't be written any more
	return nil
}

// streamPatience is how long a client may take for one piece of an answer that streams.
const streamPatience = 30 * time.Second

// deadlineWriter gives each piece its own time, since the whole may take long.
type deadlineWriter struct{ c *call }

func (w *deadlineWriter) Write(b []byte) (int, error) {
	_ = http.NewResponseController(w.c.Response()).SetWriteDeadline(time.Now().Add(streamPatience))
	return w.c.Response().Write(b)
}
