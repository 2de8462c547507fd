package sheet_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"lintel/engine/sheet"
)

func pageOf(t *testing.T, table sheet.Table) (string, *html.Node) {
	var out bytes.Buffer
	require.NoError(t, sheet.WriteHTML(&out, table))
	root, err := html.Parse(bytes.NewReader(out.Bytes()))
	require.NoError(t, err)
	return out.String(), root
}

// all returns the elements of this name, in order.
func all(n *html.Node, name string) []*html.Node {
	var list []*html.Node
	for d := range n.Descendants() {
		if d.Type == html.ElementNode && d.Data == name {
			list = append(list, d)
		}
	}
	return list
}

func textOf(n *html.Node) string {
	var b strings.Builder
	for d := range n.Descendants() {
		if d.Type == html.TextNode {
			b.WriteString(d.Data)
		}
	}
	return b.String()
}

func texts(nodes []*html.Node) []string {
	var list []string
	for _, n := range nodes {
		list = append(list, textOf(n))
	}
	return list
}

func TestHTML(t *testing.T) {
	text, root := pageOf(t, differences())
	require.Equal(t, []string{"Differences of a count"}, texts(all(root, "h1")))
	require.Equal(t, []string{"Differences of a count - Umberhithe Books"}, texts(all(root, "title")))
	require.Equal(t, []string{"Umberhithe Books, 14 March 2026, 17:30 CET",
		"At least 12 more tags are likely here (95 %: 5 to 31)."}, texts(all(root, "p")))
	require.Equal(t, []string{"GTIN", "Title", "Expected", "Share", "Price (EUR)", "Published", "Last seen", "shelf-a",
		"children"}, texts(all(root, "th")))
	require.Equal(t, []string{
		"09521234500018", "The Harbour Light", "3", "0.5", "9.99", "2026-03-14", "2026-03-14 17:30:05",
		"09521234500025", "Knots; \"and\" tides,\nvolume 2", "-1", "1.25", "-0.05", "", "",
		"09521234500032", "=HYPERLINK(\"http://books.example/\",\"Mole & Moon\")", "0", "", "12500.00", "2026-03-14", "",
	}, texts(all(root, "td")))
	require.Equal(t, []string{"3 rows"}, texts(all(root, "footer")))
	require.Contains(t, text, "thead { display: table-header-group; }", "the header is repeated on each printed page")
	require.Equal(t, []html.Attribute{{Key: "datetime", Val: "2026-03-14T17:30:05+01:00"}}, all(root, "time")[0].Attr)
	for _, name := range []string{"script", "link", "img", "a", "iframe"} {
		require.Empty(t, all(root, name))
	}
}

func TestHTMLEscapes(t *testing.T) {
	hostile := []string{
		"<script>alert(1)</script>", "<img src=x onerror=alert(1)>", "</td></tr></table><h1>Paid</h1>",
		"\"><svg/onload=alert(1)>", "{{.CSS}}", "&lt;b&gt;", "<!--", "]]>", "</style><b>",
		"javascript:alert(1)", "\u202Eevil", "<b", "'\"`",
	}
	for _, s := range hostile {
		table := sheet.Table{
			Name: s, Site: s, Notes: []string{s}, GroupBy: s,
			Columns: []sheet.Column{{Name: s}, {Name: "Other " + s}},
			Rows:    sheet.Rows([]sheet.Cell{sheet.Text(s), sheet.Text(s)}),
		}
		_, root := pageOf(t, table)
		require.Equal(t, []string{s}, texts(all(root, "h1")))
		require.Equal(t, []string{s + " - " + s}, texts(all(root, "title")))
		require.Equal(t, []string{s, s}, texts(all(root, "p")))
		require.Equal(t, []string{"Other " + s, s}, texts(all(root, "th")))
		require.Equal(t, []string{s}, texts(all(root, "td")))
		var names []string
		for d := range root.Descendants() {
			if d.Type == html.ElementNode {
				names = append(names, d.Data)
			}
		}
		require.Equal(t, strings.Fields("html head meta meta title style body header h1 p p table thead tr th "+
			"tbody tbody tr th tr td footer"), names, "%q", s)
	}
}

func TestHTMLGroups(t *testing.T) {
	table := many(12)
	table.GroupBy = "Zone"
	_, root := pageOf(t, table)
	require.Len(t, all(root, "tbody"), 13, "one empty before the first group")

	table = sheet.Table{Name: "Zones", Columns: []sheet.Column{{Name: "Zone"}}, GroupBy: "Zone",
		Rows: sheet.Rows([]sheet.Cell{sheet.Text("till")})}
	_, root = pageOf(t, table)
	require.Equal(t, []string{"till"}, texts(all(root, "td")), "grouped by the only column")

	_, root = pageOf(t, many(0))
	require.Equal(t, []string{"No rows"}, texts(all(root, "footer")))
	_, root = pageOf(t, many(1234))
	require.Equal(t, []string{"1,234 rows"}, texts(all(root, "footer")))
}

func TestHTMLStyleSource(t *testing.T) {
	text, _ := pageOf(t, differences())
	style := regexp.MustCompile(`(?s)<style>(.*)</style>`).FindStringSubmatch(text)[1]
	sum := sha256.Sum256([]byte(style))
	require.Equal(t, "'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+"'", sheet.StyleSource())
}
