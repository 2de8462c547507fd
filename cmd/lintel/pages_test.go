package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// section returns what stands between a heading of DEVELOPERS.md and the next one.
func section(t *testing.T, heading string) string {
	page, err := os.ReadFile("../../DEVELOPERS.md")
	require.NoError(t, err)
	_, rest, found := strings.Cut(string(page), "\n## "+heading+"\n")
	require.True(t, found, "DEVELOPERS.md has no section %q", heading)
	body, _, _ := strings.Cut(rest, "\n## ")
	return body
}

// rows returns the names in backquotes in the first column of the tables of a text.
func rows(text string) (names []string) {
	for _, row := range regexp.MustCompile("(?m)^\\| (`.*?`) \\|").FindAllStringSubmatch(text, -1) {
		for name := range strings.SplitSeq(row[1], ", ") {
			names = append(names, strings.Trim(name, "`"))
		}
	}
	slices.Sort(names)
	return names
}

// TestDevelopersPageIsWhole holds the tables of DEVELOPERS.md against the tree and go.mod.
func TestDevelopersPageIsWhole(t *testing.T) {
	var packages []string
	for _, s := range sources(t) {
		packages = append(packages, s.dir)
	}
	slices.Sort(packages)
	require.Equal(t, slices.Compact(packages), rows(section(t, "Where things are")), "the packages")

	mod, err := os.ReadFile("../../go.mod")
	require.NoError(t, err)
	var direct []string
	for _, m := range regexp.MustCompile(`(?m)^\t(\S+) v\S+$`).FindAllStringSubmatch(string(mod), -1) {
		direct = append(direct, m[1])
	}
	require.NotEmpty(t, direct)
	slices.Sort(direct)
	require.Equal(t, direct, rows(section(t, "Libraries")), "the direct dependencies of go.mod")
}

// TestLinksOfPages follows each link of a page to another file of the tree, and to its heading.
func TestLinksOfPages(t *testing.T) {
	link := regexp.MustCompile(`\]\(([^)\s]+)\)`)
	gone := regexp.MustCompile("[^a-z0-9 _-]")
	root := filepath.Join("..", "..")
	pages := 0
	require.NoError(t, filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && strings.HasPrefix(d.Name(), ".") && path != root {
			return fs.SkipDir
		}
		if filepath.Ext(path) != ".md" {
			return nil
		}
		pages++
		page, err := os.ReadFile(path)
		require.NoError(t, err)
		for _, m := range link.FindAllStringSubmatch(string(page), -1) {
			if strings.Contains(m[1], "://") {
				continue
			}
			name, anchor, _ := strings.Cut(m[1], "#")
			target := filepath.Join(filepath.Dir(path), name)
			body, err := os.ReadFile(target)
			require.NoError(t, err, "%s links to %s", path, m[1])
			if anchor == "" {
				continue
			}
			var anchors []string
			for _, h := range regexp.MustCompile(`(?m)^#+ (.+)$`).FindAllStringSubmatch(string(body), -1) {
				anchors = append(anchors, strings.ReplaceAll(gone.ReplaceAllString(strings.ToLower(h[1]), ""), " ", "-"))
			}
			require.Contains(t, anchors, anchor, "%s links to %s", path, m[1])
		}
		return nil
	}))
	require.Greater(t, pages, 7)
}

// TestPrometheusRulesNameMetrics holds the metrics that the alert rules use against the sources.
func TestPrometheusRulesNameMetrics(t *testing.T) {
	rules, err := os.ReadFile("../../deploy/prometheus-rules.yaml")
	require.NoError(t, err)
	var all strings.Builder
	for _, s := range sources(t) {
		files, err := filepath.Glob(filepath.Join("..", "..", s.dir, "*.go"))
		require.NoError(t, err)
		for _, f := range files {
			b, err := os.ReadFile(f)
			require.NoError(t, err)
			all.Write(b)
		}
	}
	page, err := os.ReadFile("../../deploy/README.md")
	require.NoError(t, err)
	used := regexp.MustCompile(`lintel_[a-z_]+`).FindAllString(string(rules), -1)
	require.Greater(t, len(used), 12)
	for _, name := range used {
		require.Contains(t, all.String(), `"`+name+`"`)
	}
	alerts := regexp.MustCompile(`- alert: (\w+)`).FindAllStringSubmatch(string(rules), -1)
	for _, a := range alerts {
		require.Contains(t, string(page), a[1]+":", "the runbook of %s", a[1])
	}
}
