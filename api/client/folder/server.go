package folder

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"lintel/api"
	"lintel/api/client"
	"lintel/engine"
)

// maxAnswer is the most bytes of an answer that are read.
const maxAnswer = 256 << 20

// ask sends a request and reads the whole answer.
func ask(ctx context.Context, c *client.Client, method, path string, header http.Header, body []byte) ([]byte, http.Header, error) {
	var in io.Reader
	if body != nil {
		in = bytes.NewReader(body)
	}
	res, err := c.Do(ctx, method, path, header, in)
	if err != nil {
		return nil, nil, err
	}
	defer res.Body.Close()
	b, err := io.ReadAll(io.LimitReader(res.Body, maxAnswer+1))
	switch {
	case err != nil:
		return nil, nil, fmt.Errorf("%s %s: the answer broke off: %w", method, path, err)
	case len(b) > maxAnswer:
		return nil, nil, fmt.Errorf("%s %s: the answer has more than %d bytes", method, path, maxAnswer)
	}
	return b, res.Header, nil
}

func decode(b []byte, v any) error {
	if err := json.Unmarshal(b, v); err != nil {
		return fmt.Errorf("the server's answer can't be read: %w", err)
	}
	return nil
}

// Exported is what became of one file.
type Exported struct {
	Path    string
	Version int
	Written bool // it was not there, or had another content
}

// Export writes the configuration of the server into a directory, which it makes if need be: all
// documents as of one moment. Nothing is written before everything was read; each file is replaced
// whole. Files of documents that the server does not have are left alone. A file that somebody changed
// since it was exported is not written over unless force is set: the error is then Faults.
func Export(ctx context.Context, c *client.Client, dir string, force bool) ([]Exported, error) {
	b, _, err := ask(ctx, c, "GET", "/v1/configuration", nil, nil)
	if err != nil {
		return nil, err
	}
	var list api.ConfigurationList
	if err := decode(b, &list); err != nil {
		return nil, err
	}
	var done []Exported
	texts := make(map[string][]byte)
	for _, d := range list.Documents {
		p := PathOf(d.Document)
		if p == "" {
			return nil, fmt.Errorf("the server has a document %.100q, which this version of lintel can't export: "+
				"use the server's version", d.Document)
		}
		text, p, err := fetch(ctx, c, d, p)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", p, err)
		}
		texts[p] = text
		done = append(done, Exported{Path: p, Version: d.Version})
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, err
	}
	sums := readSums(dir)
	var edited Faults
	for _, e := range done {
		have, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(e.Path)))
		if err == nil && !force && !bytes.Equal(have, texts[e.Path]) && sums[e.Path] != sumOf(have) {
			edited = append(edited, e.Path+": it is not what was exported last, and would be written over; keep it elsewhere, apply it, or say --force")
		}
		sums[e.Path] = sumOf(texts[e.Path])
	}
	if len(edited) > 0 {
		return nil, edited
	}
	for i := range done {
		e := &done[i]
		if e.Written, err = replace(filepath.Join(dir, filepath.FromSlash(e.Path)), texts[e.Path]); err != nil {
			return nil, err
		}
	}
	if len(done) > 0 {
		_, err = replace(filepath.Join(dir, sumsFile), writeSums(sums))
	}
	return done, err
}

// sumsFile keeps the SHA-256 of each file as it was exported, in the form of sha256sum: how an export
// knows a file that was changed since.
const sumsFile = ".lintel-export"

func sumOf(b []byte) string { return fmt.Sprintf("%x", sha256.Sum256(b)) }

// readSums reads what the last export noted. Of a file that is damaged or not there nothing is known.
func readSums(dir string) map[string]string {
	sums := make(map[string]string)
	b, _ := os.ReadFile(filepath.Join(dir, sumsFile))
	for line := range strings.Lines(string(b)) {
		if sum, name, ok := strings.Cut(strings.TrimSpace(line), "  "); ok {
			sums[name] = sum
		}
	}
	return sums
}

func writeSums(sums map[string]string) []byte {
	var b []byte
	for _, name := range slices.Sorted(maps.Keys(sums)) {
		b = fmt.Appendf(b, "%s  %s\n", sums[name], name)
	}
	return b
}

// fetch reads one document, and returns its path too: it may be another form than the usual one.
func fetch(ctx context.Context, c *client.Client, d api.ConfigurationDocument, p string) ([]byte, string, error) {
	version := fmt.Sprintf("?version=%d", d.Version)
	get := func(route, accept string) ([]byte, error) {
		b, _, err := ask(ctx, c, "GET", route+version, http.Header{"Accept": {accept}}, nil)
		return b, err
	}
	var text []byte
	var err error
	switch d.Document {
	case engine.RulesDocument:
		text, err = get("/v1/rules", "text/yaml")
	case engine.ProductsDocument:
		text, err = get("/v1/products", "text/csv")
		if client.IsCode(err, "not_acceptable") {
			p = ProductsJSONFile
			if text, err = get("/v1/products", "application/json"); err == nil {
				text, err = lines(text)
			}
		}
	case api.ChannelsDocument:
		if text, err = get("/v1/channels", "application/json"); err == nil {
			text, err = lines(text)
		}
	default:
		text, err = get("/v1/sites/"+url.PathEscape(strings.TrimPrefix(d.Document, engine.LayoutDocument("")))+
			"/layout", "application/json")
	}
	return text, p, err
}

// lines breaks JSON into lines, so that what changes shows in a diff.
func lines(b []byte) ([]byte, error) {
	var out bytes.Buffer
	if err := json.Indent(&out, b, "", "  "); err != nil {
		return nil, fmt.Errorf("the server's answer is not JSON: %w", err)
	}
	return append(bytes.TrimSpace(out.Bytes()), '\n'), nil
}

// replace writes a file by way of another one beside it, so that nobody sees half of it, and
// reports whether it had to.
func replace(name string, text []byte) (written bool, err error) {
	if old, err := os.ReadFile(name); err == nil && bytes.Equal(old, text) {
		return false, nil
	}
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		return false, err
	}
	f, err := os.CreateTemp(filepath.Dir(name), ".lintel-*")
	if err != nil {
		return false, err
	}
	_, err = f.Write(text)
	err = errors.Join(err, f.Chmod(0o644), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), name)
	}
	if err != nil {
		return false, errors.Join(err, os.Remove(f.Name()))
	}
	return true, nil
}

// Planned is the server's plan for the files of a directory.
type Planned struct {
	api.ConfigurationPlan
	files []File
	tag   string // of the configuration that it was made for
	body  []byte
}

// Plan asks the server what storing the files would do. It stores nothing.
func Plan(ctx context.Context, c *client.Client, files []File) (*Planned, error) {
	var req api.ConfigurationRequest
	for _, f := range files {
		req.Documents = append(req.Documents, api.ConfigurationText{Document: f.Document, MediaType: f.MediaType, Text: string(f.Text)})
	}
	body, err := json.Marshal(req)
	if err != nil {
		return nil, err
	}
	b, header, err := ask(ctx, c, "POST", "/v1/configuration/plan", asJSON(), body)
	if err != nil {
		return nil, err
	}
	p := &Planned{files: files, tag: header.Get("ETag"), body: body}
	if p.tag == "" {
		return nil, errors.New("the server's plan has no ETag: something between drops it, and without it nothing can be applied safely")
	}
	if err := decode(b, &p.ConfigurationPlan); err != nil {
		return nil, err
	}
	return p, nil
}

// Apply stores what was planned, all or none, if the server's configuration is still the one that
// the plan was made for; otherwise the error is a *client.Problem with the code version_mismatch. That
// more than half of the products or rules go must be allowed.
func Apply(ctx context.Context, c *client.Client, p *Planned, note string, allowRemoval bool) (api.ConfigurationApplied, error) {
	var done api.ConfigurationApplied
	header := asJSON()
	header.Set("If-Match", p.tag)
	query := url.Values{}
	if note != "" {
		query.Set("note", note)
	}
	if allowRemoval {
		query.Set("allow_removal", "true")
	}
	path := "/v1/configuration?" + query.Encode()
	b, _, err := ask(ctx, c, "POST", path, header, p.body)
	if err != nil {
		return done, err
	}
	return done, decode(b, &done)
}

func asJSON() http.Header { return http.Header{"Content-Type": {"application/json"}} }
