package api

import (
	"bytes"
	"fmt"
	"io"
	"mime"
	"net/http"

	"lintel/api/kit"
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

var paramDefuse = kit.Flag("defuse", "CSV: true, the default, puts an apostrophe before a text that a spreadsheet "+
	"would run as a formula; false leaves all texts as they are, for programs.").WithDefault("true")

// inForms makes a route of a table: the base, which answers JSON or what Accept asks for, and one
// with a suffix for each form, so that a link can ask too.
func inForms(base kit.Route, v any, handle func(*kit.Call, form) error, forms ...form) []kit.Route {
	bodies := kit.JSON(v)
	for _, f := range forms {
		bodies = append(bodies, kit.As(f.media, nil))
	}
	base.Answers = []kit.Answer{kit.Reply(200, base.Answers[0].About, bodies...)}
	base.Codes = append(base.Codes, kit.CodeNotAcceptable)
	base.Params = append(base.Params, paramDefuse)
	base.Headers = withFile
	base.Handle = func(c *kit.Call) error {
		media := make([]string, len(bodies))
		for i := range bodies {
			media[i] = bodies[i].MediaType
		}
		wanted, err := c.Accepts(media...)
		if err != nil {
			return err
		}
		return handle(c, form{media: wanted})
	}
	routes := []kit.Route{base}
	for _, f := range forms {
		routes = append(routes, inForm(base, f, handle))
	}
	return routes
}

// inForm makes the route with a suffix.
func inForm(base kit.Route, f form, handle func(*kit.Call, form) error) kit.Route {
	r := base
	r.Path += f.suffix
	r.Name += map[string]string{".csv": "CSV", ".xlsx": "XLSX", ".html": "Page", ".jsonl": "Lines", ".txt": "Text"}[f.suffix]
	r.Summary += map[string]string{".csv": ", as CSV", ".xlsx": ", as a workbook", ".html": ", as a page to print",
		".jsonl": ", one JSON object a line", ".txt": ", one identity a line"}[f.suffix]
	r.Answers = []kit.Answer{kit.Reply(200, base.Answers[0].About, kit.As(f.media, nil))}
	if f == formHTML {
		r.Headers = nil
	}
	r.Codes = nil
	for _, code := range base.Codes {
		if code != kit.CodeNotAcceptable {
			r.Codes = append(r.Codes, code)
		}
	}
	r.Handle = func(c *kit.Call) error { return handle(c, f) }
	return r
}

// writeTable writes a table in a form.
func writeTable(c *kit.Call, w io.Writer, media string, t sheet.Table) error {
	switch media {
	case mediaCSV:
		return sheet.WriteCSV(w, t, sheet.CSVOptions{Defuse: c.Flag("defuse")})
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
func tableHead(c *kit.Call, media, file string) {
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
func answerTable(c *kit.Call, media, file string, t sheet.Table) error {
	var buf bytes.Buffer
	if err := writeTable(c, &buf, media, t); err != nil {
		return err
	}
	tableHead(c, media, file)
	c.Response().WriteHeader(http.StatusOK)
	_, err := c.Response().Write(buf.Bytes())
	return err
}

// streamTable answers with a table of any length. If its rows end in an error, the connection is
// broken off, so that nobody takes a part for the whole.
func streamTable(c *kit.Call, media, file string, t sheet.Table) error {
	tableHead(c, media, file)
	return c.BrokenOff(writeTable(c, c.Writer(), media, t))
}
