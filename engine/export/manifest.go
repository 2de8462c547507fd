package export

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

const manifestVersion = 1

// Manifest is manifest.json: what is in the directory.
type Manifest struct {
	Version int       `json:"version"`
	At      time.Time `json:"at"`               // when the run began
	Files   []File    `json:"files"`            // by path
	Failed  []string  `json:"failed,omitempty"` // paths that could not be written this time: what stands there is older
	Notice  string    `json:"notice"`           // to be read with alerts
}

// File is one file of an export.
type File struct {
	Path     string    `json:"path"` // from the directory, with slashes
	Site     string    `json:"site,omitempty"`
	At       time.Time `json:"at"`   // when it was finished
	Rows     int       `json:"rows"` // without the header
	Bytes    int64     `json:"bytes"`
	SHA256   string    `json:"sha256"`
	Cursor   *Cursor   `json:"cursor,omitempty"`           // of files of a site
	Complete bool      `json:"complete,omitempty"`         // of facts: the day is over and the file will not change
	Products *int64    `json:"products_version,omitempty"` // of products.csv
}

// Cursor says as of when a file is true. A site that works on while it is read goes from one entry
// of its journal to another; each row is true as of one in between, and the rows of one page of
// some thousands as of the same one. In a quiet site both are equal.
type Cursor struct {
	From uint64 `json:"from"`
	To   uint64 `json:"to"`
}

func (m *Manifest) file(path string) (File, bool) {
	i := slices.IndexFunc(m.Files, func(f File) bool { return f.Path == path })
	if i < 0 {
		return File{}, false
	}
	return m.Files[i], true
}

func (m *Manifest) sort() {
	slices.SortFunc(m.Files, func(a, b File) int { return strings.Compare(a.Path, b.Path) })
	slices.Sort(m.Failed)
}

// readManifest returns the manifest of the last export, an empty one if there was none.
func readManifest(dir string) (Manifest, error) {
	b, err := os.ReadFile(filepath.Join(dir, "manifest.json"))
	if errors.Is(err, fs.ErrNotExist) {
		return Manifest{}, nil
	}
	if err != nil {
		return Manifest{}, err
	}
	var m Manifest
	if err := json.Unmarshal(b, &m); err != nil {
		return Manifest{}, fmt.Errorf("manifest.json: %w", err)
	}
	if m.Version != manifestVersion {
		return Manifest{}, fmt.Errorf("manifest.json is of version %d; this Lintel reads %d", m.Version, manifestVersion)
	}
	// A path goes into a call that removes files: only what an export writes is taken from a file
	// that anybody may have edited.
	m.Files = slices.DeleteFunc(m.Files, func(f File) bool { return !filepath.IsLocal(filepath.FromSlash(f.Path)) })
	return m, nil
}
