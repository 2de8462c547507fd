package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/evanw/esbuild/pkg/api"
)

func main() {
	check := flag.Bool("check", false, "compare with what is there, write nothing")
	types := flag.Bool("types", false, "write src/lib/openapi.ts from ../testdata/openapi.json, which needs node")
	typecheck := flag.Bool("typecheck", false, "check the types of the sources")
	dir := flag.String("dir", "api/console", "the console's folder")
	flag.Parse()
	var err error
	switch {
	case *types:
		err = writeTypes(*dir)
	case *typecheck:
		err = checkTypes(*dir)
	default:
		err = run(*dir, *check)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "build:", err)
		os.Exit(1)
	}
}

// run makes dist, or compares it with what it should be.
func run(dir string, check bool) error {
	files, err := build(dir)
	if err != nil {
		return err
	}
	dist := filepath.Join(dir, "dist")
	had, err := tree(dist)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if check {
		return compare(had, files)
	}
	for name := range had {
		if _, ok := files[name]; !ok {
			if err := os.Remove(filepath.Join(dist, filepath.FromSlash(name))); err != nil {
				return err
			}
		}
	}
	return write(dist, files)
}

// compare returns an error if the files differ.
func compare(had, want map[string][]byte) error {
	var wrong []string
	for name, b := range want {
		if old, ok := had[name]; !ok {
			wrong = append(wrong, name+" is missing")
		} else if !bytes.Equal(old, b) {
			wrong = append(wrong, name+" differs")
		}
	}
	for name := range had {
		if _, ok := want[name]; !ok {
			wrong = append(wrong, name+" is made by nothing")
		}
	}
	if wrong == nil {
		return nil
	}
	slices.Sort(wrong)
	return fmt.Errorf("dist is not what the sources give: %s; run go run ./api/console/build", strings.Join(wrong, ", "))
}

// build returns the files of dist by their names.
func build(dir string) (map[string][]byte, error) {
	packages, err := readPackages(filepath.Join(dir, "npm"))
	if err != nil {
		return nil, err
	}
	tmp, err := workspace(dir, packages)
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(tmp)
	result := api.Build(api.BuildOptions{
		AbsWorkingDir: tmp, EntryPoints: []string{"src/main.tsx"}, Bundle: true, Outdir: "out",
		EntryNames: "[name]-[hash]", ChunkNames: "[name]-[hash]", AssetNames: "[name]-[hash]",
		MinifyWhitespace: true, MinifyIdentifiers: true, MinifySyntax: true,
		Target: api.ES2022, Format: api.FormatESModule, Splitting: true, Platform: api.PlatformBrowser,
		JSX: api.JSXAutomatic, JSXImportSource: "preact", Charset: api.CharsetUTF8, LegalComments: api.LegalCommentsNone,
		TsconfigRaw: `{"compilerOptions": {"useDefineForClassFields": true}}`,
	})
	if len(result.Errors) > 0 {
		lines := api.FormatMessages(result.Errors, api.FormatMessagesOptions{Kind: api.ErrorMessage})
		return nil, errors.New(strings.Join(lines, ""))
	}
	files := map[string][]byte{"NOTICE.txt": notice(packages)}
	for _, f := range result.OutputFiles {
		files[filepath.Base(f.Path)] = f.Contents
	}
	if err := page(dir, files); err != nil {
		return nil, err
	}
	files["sw.js"], err = worker(tmp, files)
	return files, err
}

// worker returns the service worker, with the names of the files that it keeps: all but the editor, which is
// large and of no use without a server. Their digests are its version.
func worker(tmp string, files map[string][]byte) ([]byte, error) {
	names := []string{"./", "icon.svg"}
	version := sha256.New()
	version.Write(files["index.html"])
	for _, name := range slices.Sorted(maps.Keys(files)) {
		if ext := filepath.Ext(name); (ext == ".js" || ext == ".css") && !strings.HasPrefix(name, "editor_open-") {
			names = append(names, name)
			fmt.Fprintln(version, name)
		}
	}
	list, err := json.Marshal(names)
	if err != nil {
		return nil, err
	}
	result := api.Build(api.BuildOptions{
		AbsWorkingDir: tmp, EntryPoints: []string{"src/sw.ts"}, Bundle: true, Outfile: "out/sw.js", Format: api.FormatIIFE,
		MinifyWhitespace: true, MinifyIdentifiers: true, MinifySyntax: true, Target: api.ES2022, Platform: api.PlatformBrowser,
		Define: map[string]string{"FILES": string(list), "VERSION": fmt.Sprintf("%q", hex.EncodeToString(version.Sum(nil)[:8]))},
	})
	if len(result.Errors) > 0 {
		return nil, errors.New(strings.Join(api.FormatMessages(result.Errors, api.FormatMessagesOptions{Kind: api.ErrorMessage}), ""))
	}
	return result.OutputFiles[0].Contents, nil
}

// page adds what is not bundled: the page, which names the bundle, and the icon.
func page(dir string, files map[string][]byte) error {
	html, err := os.ReadFile(filepath.Join(dir, "src", "index.html"))
	if err != nil {
		return err
	}
	for _, ext := range []string{".js", ".css"} {
		found := ""
		for name := range files {
			if strings.HasPrefix(name, "main-") && strings.HasSuffix(name, ext) {
				found = name
			}
		}
		mark := []byte("main" + ext)
		if found == "" || !bytes.Contains(html, mark) {
			return fmt.Errorf("src/index.html must name main%s, and the bundle have it", ext)
		}
		html = bytes.ReplaceAll(html, mark, []byte(found))
	}
	files["index.html"] = html
	files["icon.svg"], err = os.ReadFile(filepath.Join(dir, "src", "icon.svg"))
	return err
}

// workspace makes a temporary folder with the sources and the unpacked packages.
func workspace(dir string, packages []pkg) (tmp string, err error) {
	tmp, err = os.MkdirTemp("", "console-")
	if err != nil {
		return "", err
	}
	defer func() {
		if err != nil {
			_ = os.RemoveAll(tmp)
		}
	}()
	if tmp, err = filepath.EvalSymlinks(tmp); err != nil {
		return "", err
	}
	src, err := tree(filepath.Join(dir, "src"))
	if err != nil {
		return "", err
	}
	if err := write(filepath.Join(tmp, "src"), src); err != nil {
		return "", err
	}
	for _, p := range packages {
		if err := write(filepath.Join(tmp, "node_modules", filepath.FromSlash(p.name)), p.files); err != nil {
			return "", err
		}
	}
	return tmp, nil
}

// tree reads all files below a folder, by their names with slashes.
func tree(dir string) (map[string][]byte, error) {
	files := map[string][]byte{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		name, err := filepath.Rel(dir, path)
		if err != nil {
			return err
		}
		files[filepath.ToSlash(name)], err = os.ReadFile(path)
		return err
	})
	return files, err
}

// write writes files below a folder; those that are as they should be are left alone.
func write(dir string, files map[string][]byte) error {
	for _, name := range slices.Sorted(maps.Keys(files)) {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if had, err := os.ReadFile(path); err == nil && bytes.Equal(had, files[name]) {
			continue
		}
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return err
		}
		if err := os.WriteFile(path, files[name], 0o644); err != nil {
			return err
		}
	}
	return nil
}
