package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"crypto/sha512"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
)

// pkg is an npm package that was checked and unpacked.
type pkg struct {
	name, version, licence string
	dev                    bool // for tests only, in no bundle
	files                  map[string][]byte
}

// lockFile is what is used of a package-lock.json.
type lockFile struct {
	Packages map[string]struct {
		Version   string `json:"version"`
		Integrity string `json:"integrity"`
		Licence   string `json:"license"`
		Dev       bool   `json:"dev"`
	} `json:"packages"`
}

// maxUnpacked bounds what a tarball holds.
const maxUnpacked = 64 << 20

// readPackages reads the tarballs that the lock file in dir names, by their names. A tarball whose
// digest is another one, and one that the lock file does not name, is an error.
func readPackages(dir string) ([]pkg, error) {
	b, err := os.ReadFile(filepath.Join(dir, "package-lock.json"))
	if err != nil {
		return nil, err
	}
	var lock lockFile
	if err := json.Unmarshal(b, &lock); err != nil {
		return nil, fmt.Errorf("package-lock.json: %w", err)
	}
	left, err := filepath.Glob(filepath.Join(dir, "*.tgz"))
	if err != nil {
		return nil, err
	}
	var list []pkg
	for key, e := range lock.Packages {
		name, ok := strings.CutPrefix(key, "node_modules/")
		if !ok {
			continue // the project itself
		}
		file := filepath.Join(dir, strings.ReplaceAll(strings.TrimPrefix(name, "@"), "/", "-")+"-"+e.Version+".tgz")
		left = slices.DeleteFunc(left, func(f string) bool { return f == file })
		b, err := os.ReadFile(file)
		if err != nil {
			return nil, fmt.Errorf("%s, which package-lock.json names: %w", name, err)
		}
		sum := sha512.Sum512(b)
		if got := "sha512-" + base64.StdEncoding.EncodeToString(sum[:]); got != e.Integrity {
			return nil, fmt.Errorf("%s has the digest %s, and package-lock.json says %s", file, got, e.Integrity)
		}
		p := pkg{name: name, version: e.Version, licence: e.Licence, dev: e.Dev}
		if p.files, err = unpack(b); err != nil {
			return nil, fmt.Errorf("%s: %w", file, err)
		}
		list = append(list, p)
	}
	if len(left) > 0 {
		return nil, fmt.Errorf("package-lock.json does not name %s", strings.Join(left, ", "))
	}
	slices.SortFunc(list, func(a, b pkg) int { return strings.Compare(a.name, b.name) })
	return list, nil
}

// unpack returns the files of a package, without the first part of their names, which npm ignores too.
func unpack(tarball []byte) (map[string][]byte, error) {
	z, err := gzip.NewReader(bytes.NewReader(tarball))
	if err != nil {
		return nil, err
	}
	files, left := map[string][]byte{}, int64(maxUnpacked)
	for r := tar.NewReader(z); ; {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			return files, nil
		}
		if err != nil {
			return nil, err
		}
		_, name, ok := strings.Cut(path.Clean(h.Name), "/")
		if h.Typeflag != tar.TypeReg || !ok {
			continue
		}
		if !filepath.IsLocal(name) || left < h.Size {
			return nil, fmt.Errorf("the file %q is not taken", h.Name)
		}
		left -= h.Size
		if files[name], err = io.ReadAll(io.LimitReader(r, h.Size)); err != nil {
			return nil, err
		}
	}
}

// notice lists the licences of the packages that are bundled.
func notice(packages []pkg) []byte {
	var b bytes.Buffer
	b.WriteString("The console has parts of these packages, under these licences.\n")
	for _, p := range packages {
		if p.dev {
			continue
		}
		fmt.Fprintf(&b, "\n%s\n%s %s (%s)\n\n", strings.Repeat("-", 72), p.name, p.version, p.licence)
		for _, name := range slices.Sorted(maps.Keys(p.files)) {
			text := p.files[name]
			if upper := strings.ToUpper(name); strings.HasPrefix(upper, "LICENSE") || strings.HasPrefix(upper, "LICENCE") {
				b.Write(bytes.TrimSpace(bytes.ReplaceAll(text, []byte("\r\n"), []byte("\n"))))
				b.WriteByte('\n')
			}
		}
	}
	return b.Bytes()
}
