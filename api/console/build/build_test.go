package main

import (
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// dir is the console's folder, seen from here.
const dir = ".."

// TestDist holds what is committed against what the sources and the packages give.
func TestDist(t *testing.T) {
	require.NoError(t, run(dir, true))
}

// TestTypes holds the types of the interface against its OpenAPI document.
func TestTypes(t *testing.T) {
	require.NoError(t, typesAreFresh(dir))
}

// TestBuildElsewhere builds from a copy, with another temporary folder: every byte must be the same.
func TestBuildElsewhere(t *testing.T) {
	here, err := build(dir)
	require.NoError(t, err)
	elsewhere := t.TempDir()
	for _, part := range []string{"src", "npm"} {
		files, err := tree(filepath.Join(dir, part))
		require.NoError(t, err)
		require.NoError(t, write(filepath.Join(elsewhere, part), files))
	}
	t.Setenv("TMPDIR", t.TempDir())
	there, err := build(elsewhere)
	require.NoError(t, err)
	require.True(t, maps.EqualFunc(here, there, func(a, b []byte) bool { return string(a) == string(b) }))
}

// TestPackages: a tarball that was changed, one that is missing and one too many are refused.
func TestPackages(t *testing.T) {
	files, err := tree(filepath.Join(dir, "npm"))
	require.NoError(t, err)
	const name = "idb-8.0.4.tgz"
	require.Contains(t, files, name)
	for what, change := range map[string]func(map[string][]byte){
		"digest":                    func(m map[string][]byte) { m[name] = append([]byte{}, m[name][:len(m[name])-1]...) },
		"which package-lock.json":   func(m map[string][]byte) { delete(m, name) },
		"package-lock.json does no": func(m map[string][]byte) { m["other-1.0.0.tgz"] = m[name] },
	} {
		changed := maps.Clone(files)
		change(changed)
		npm := t.TempDir()
		require.NoError(t, write(npm, changed))
		_, err := readPackages(npm)
		require.ErrorContains(t, err, what)
	}
}

// TestUnpackStaysInside: a name that leads out of the package's folder is refused.
func TestUnpackStaysInside(t *testing.T) {
	b, err := os.ReadFile(filepath.Join(dir, "npm", "crelt-1.0.7.tgz"))
	require.NoError(t, err)
	files, err := unpack(b)
	require.NoError(t, err)
	require.Contains(t, files, "package.json")
	for name := range files {
		require.True(t, filepath.IsLocal(name))
	}
}

// TestNotice: every package in the bundle shows its licence.
func TestNotice(t *testing.T) {
	packages, err := readPackages(filepath.Join(dir, "npm"))
	require.NoError(t, err)
	text := string(notice(packages))
	for _, p := range packages {
		require.Equal(t, !p.dev, strings.Contains(text, "\n"+p.name+" "+p.version+" ("), p.name)
		if !p.dev {
			_, after, _ := strings.Cut(text, "\n"+p.name+" "+p.version+" (")
			require.Regexp(t, `(?i)^[A-Z]+\)\n\n[^-]*copyright`, after, p.name)
		}
	}
}

// TestServerHasNoBundler: what the server is made of has no part of the bundler.
func TestServerHasNoBundler(t *testing.T) {
	cmd := exec.Command("go", "list", "-deps", "lintel/cmd/lintel")
	out, err := cmd.Output()
	require.NoError(t, err)
	require.Contains(t, string(out), "lintel/api/console\n")
	require.NotContains(t, string(out), "esbuild")
}
