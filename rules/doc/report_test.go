package doc_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/rules/doc"
)

func TestReport(t *testing.T) {
	d, p := doc.YAML([]byte("zones:\n- id: a\n  kind: flor\n- id: b\n"), options)
	require.Nil(t, p)
	r := doc.NewReport("shop.yaml", 3, d, nil)
	zones := d.Root.Get("zones")
	r.About(zones.Items[0].Get("kind"), "did you mean floor?", "%q is no kind", "flor")
	o, ok := r.Object(zones.Items[1], "id", "kind")
	require.True(t, ok)
	_, ok = o.Text("kind", true)
	require.False(t, ok)
	require.Equal(t, 2, r.Len())
	r.Add(doc.Diagnostic{Line: 2, Column: 7, Reason: "the first", Severity: doc.SeverityWarning})
	for range 5 {
		r.At(zones, "too much", "")
	}
	list := r.List()
	require.Equal(t, 8, list.Count())
	require.Len(t, list, 4)
	require.Equal(t, []string{"zones[0].id", "zones[0].kind", "zones[1].kind", ""}, []string{list[0].Path, list[1].Path,
		list[2].Path, list[3].Path})
	require.Equal(t, "shop.yaml:3:9: zones[0].kind: \"flor\" is no kind\n      kind: flor\n            ^^^^\n    "+
		"did you mean floor?", list[1].String())
	require.Equal(t, "zones[1].kind: is missing", list[2].Summary())
	require.Equal(t, "5 more problems are not shown; fix these first", list[3].Summary())
	require.Nil(t, doc.NewReport("", 3, d, nil).Err())
}

func TestReportOfSecretsShowsNoLine(t *testing.T) {
	d, _ := doc.JSON([]byte(`{"secret": "s3cr3t"}`), 100)
	r := doc.NewReport("", 3, d, nil)
	r.Private = true
	_, _ = r.Object(d.Root, "name")
	require.NotContains(t, r.List()[0].String(), "s3cr3t")
}

func TestExcerptsOfLongLines(t *testing.T) {
	src := `{"a": "` + strings.Repeat("x", 5000) + `", "b": 1}`
	d, _ := doc.JSON([]byte(src), 10_000)
	r := doc.NewReport("", 3, d, nil)
	r.About(d.Root.Get("b"), "", "is wrong")
	require.Contains(t, r.List()[0].String(), `xxx", "b": 1}`)
	d, _ = doc.JSON([]byte(strings.Replace(src, "x", strings.Repeat("x", 8<<10), 1)), 20_000)
	r = doc.NewReport("", 3, d, nil)
	r.About(d.Root.Get("b"), "", "is wrong")
	require.Empty(t, r.List()[0].Source, "no diagnostic carries a line of more than 8 KiB")
}
