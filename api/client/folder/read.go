package folder

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"lintel/api"
	"lintel/engine"
	"lintel/engine/layout"
	"lintel/rules/doc"
)

// The files of a directory.
const (
	RulesFile        = "rules.yaml"
	ChannelsFile     = "channels.json"
	ProductsFile     = "products.csv"
	ProductsJSONFile = "products.json"
	SitesDir         = "sites"
	LayoutFile       = "layout.json"
)

// maxFile is the most bytes of one file; the server may take less.
const maxFile = 64 << 20

// File is one document as a file.
type File struct {
	Path      string // within the directory, with slashes
	Document  string // rules, channels, products, layout/SITE
	MediaType string // of products
	Text      []byte
	secrets   []string // what references stand for in Text, each followed by its reference
}

// Faults are what is wrong with the files, each with its name. They hold no secret.
type Faults []string

func (f Faults) Error() string { return strings.Join(f, "\n") }

// documentOf returns the document that the file of a path holds, "" if none.
func documentOf(p string) (document, media string) {
	switch p {
	case RulesFile:
		return engine.RulesDocument, ""
	case ChannelsFile:
		return api.ChannelsDocument, ""
	case ProductsFile:
		return engine.ProductsDocument, "text/csv"
	case ProductsJSONFile:
		return engine.ProductsDocument, "application/json"
	}
	if parts := strings.Split(p, "/"); len(parts) == 3 && parts[0] == SitesDir && validSite(parts[1]) && parts[2] == LayoutFile {
		return engine.LayoutDocument(parts[1]), ""
	}
	return "", ""
}

// PathOf returns the path of a document's file, "" if it has none: the server then has a kind of
// documents that this program does not know.
func PathOf(document string) string {
	switch document {
	case engine.RulesDocument:
		return RulesFile
	case api.ChannelsDocument:
		return ChannelsFile
	case engine.ProductsDocument:
		return ProductsFile
	}
	if site, ok := strings.CutPrefix(document, engine.LayoutDocument("")); ok && validSite(site) {
		return path.Join(SitesDir, site, LayoutFile)
	}
	return ""
}

func validSite(id string) bool { return layout.ValidID(id) && id[0] != '_' }

// Read reads the files of a directory, by path. lookup finds a variable of the environment;
// os.LookupEnv is one. The error, if it is about the files, is of type Faults and names every one
// that is wrong.
func Read(dir string, lookup func(string) (string, bool)) ([]File, error) {
	r := reader{dir: dir, lookup: lookup}
	if err := r.top(); err != nil {
		return nil, err
	}
	if len(r.files) == 0 && len(r.faults) == 0 {
		r.fault(dir, "holds nothing to apply: %s, %s, %s or %s/SITE/%s", RulesFile, ChannelsFile, ProductsFile, SitesDir, LayoutFile)
	}
	if len(r.faults) > 0 {
		return nil, r.faults
	}
	slices.SortFunc(r.files, func(a, b File) int { return strings.Compare(a.Path, b.Path) })
	return r.files, nil
}

type reader struct {
	dir    string
	lookup func(string) (string, bool)
	files  []File
	faults Faults

	secrets []string // of the channels, see File
}

func (r *reader) fault(p, format string, args ...any) {
	r.faults = append(r.faults, p+": "+fmt.Sprintf(format, args...))
}

// ignored reports whether a name is left alone everywhere.
func ignored(name string) bool {
	upper := strings.ToUpper(name)
	return strings.HasPrefix(name, ".") || upper == "README" || strings.HasPrefix(upper, "README.")
}

func (r *reader) top() error {
	entries, err := os.ReadDir(r.dir)
	if err != nil {
		return err
	}
	known := []string{RulesFile, ChannelsFile, ProductsFile, ProductsJSONFile, SitesDir}
	has := make(map[string]bool)
	for _, e := range entries {
		name := e.Name()
		switch {
		case ignored(name):
		case name == SitesDir:
			if err := r.sites(); err != nil {
				return err
			}
		case slices.Contains(known, name):
			has[name] = true
			if err := r.file(name); err != nil {
				return err
			}
		default:
			r.unknown(name, name, known)
		}
	}
	if has[ProductsFile] && has[ProductsJSONFile] {
		r.fault(ProductsJSONFile, "there is %s too: keep one of them", ProductsFile)
	}
	return nil
}

// unknown says that a name means nothing here.
func (r *reader) unknown(p, name string, known []string) {
	hint := "the files are " + strings.Join(known, ", ")
	if near := doc.Nearest(name, known); near != "" {
		hint = fmt.Sprintf("did you mean %s?", near)
	} else if stem := strings.TrimSuffix(name, path.Ext(name)); stem != name {
		for _, k := range known {
			if strings.TrimSuffix(k, path.Ext(k)) == stem {
				hint = fmt.Sprintf("did you mean %s?", k)
			}
		}
	}
	r.fault(p, "is no file of a configuration; %s", hint)
}

func (r *reader) sites() error {
	entries, err := os.ReadDir(filepath.Join(r.dir, SitesDir))
	if errors.Is(err, fs.ErrNotExist) || err != nil && !isDir(filepath.Join(r.dir, SitesDir)) {
		r.fault(SitesDir, "is not a directory")
		return nil
	}
	if err != nil {
		return err
	}
	for _, e := range entries {
		name := e.Name()
		p := path.Join(SitesDir, name)
		full := filepath.Join(r.dir, SitesDir, name)
		switch {
		case ignored(name):
			continue
		case !isDir(full):
			r.fault(p, "is not a directory; write %s/SITE/%s", SitesDir, LayoutFile)
			continue
		case !validSite(name):
			r.fault(p, "can't be a site's id: 1 to 64 characters of a-z, 0-9, '-' and '_', not beginning with '_'")
			continue
		}
		inside, err := os.ReadDir(full)
		if err != nil {
			return err
		}
		found := false
		for _, f := range inside {
			switch {
			case ignored(f.Name()):
			case f.Name() == LayoutFile:
				found = true
				if err := r.file(path.Join(p, LayoutFile)); err != nil {
					return err
				}
			default:
				r.unknown(path.Join(p, f.Name()), f.Name(), []string{LayoutFile})
			}
		}
		if !found {
			r.fault(p, "has no %s", LayoutFile)
		}
	}
	return nil
}

func isDir(p string) bool {
	info, err := os.Stat(p)
	return err == nil && info.IsDir()
}

func (r *reader) file(p string) error {
	full := filepath.Join(r.dir, filepath.FromSlash(p))
	info, err := os.Stat(full)
	switch {
	case err != nil:
		return err
	case !info.Mode().IsRegular():
		r.fault(p, "is not a file")
		return nil
	case info.Size() > maxFile:
		r.fault(p, "has %d bytes; at most %d can be sent", info.Size(), maxFile)
		return nil
	}
	text, err := os.ReadFile(full)
	if err != nil {
		return err
	}
	if !utf8.Valid(text) { // JSON would carry something else
		line := 1
		for rest := text; len(rest) > 0; {
			c, size := utf8.DecodeRune(rest)
			if c == utf8.RuneError && size == 1 {
				break
			}
			if c == '\n' {
				line++
			}
			rest = rest[size:]
		}
		r.fault(p, "line %d: the text is not UTF-8; save it as UTF-8", line)
		return nil
	}
	f := File{Path: p, Text: text}
	f.Document, f.MediaType = documentOf(p)
	if p == ChannelsFile {
		f.Text = r.resolve(p, text)
		f.secrets = r.secrets
	}
	r.files = append(r.files, f)
	return nil
}

// secretPrefix begins the names of variables that channels may refer to.
const secretPrefix = "LINTEL_SECRET_"

var reference = regexp.MustCompile(`\$\{(LINTEL_[A-Za-z0-9_]*)\}`)

// resolve replaces references by what they stand for, written as JSON has it inside a text.
func (r *reader) resolve(p string, text []byte) []byte {
	missing := make(map[string]bool)
	out := reference.ReplaceAllFunc(text, func(ref []byte) []byte {
		name := string(reference.FindSubmatch(ref)[1])
		value, ok := "", false
		if len(name) > len(secretPrefix) && strings.HasPrefix(name, secretPrefix) {
			value, ok = r.lookup(name)
		} else if !missing[name] {
			missing[name] = true
			r.fault(p, "refers to ${%s}; only names that begin with %s can be referred to", name, secretPrefix)
			return ref
		}
		if !ok || value == "" || !utf8.ValidString(value) {
			if !missing[name] {
				missing[name] = true
				line := 1 + bytes.Count(text[:bytes.Index(text, ref)], []byte("\n"))
				r.fault(p, "line %d: refers to ${%s}, and the environment has no such variable", line, name)
			}
			return ref
		}
		var b bytes.Buffer
		enc := json.NewEncoder(&b)
		enc.SetEscapeHTML(false)
		if enc.Encode(value) != nil {
			return ref
		}
		quoted := bytes.TrimSpace(b.Bytes())
		quoted = quoted[1 : len(quoted)-1]
		r.secrets = append(r.secrets, string(quoted), string(ref))
		return quoted
	})
	return out
}
