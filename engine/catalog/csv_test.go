package catalog_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/stretchr/testify/require"

	"lintel/engine/catalog"
	"lintel/rules/doc"
)

func parseCSV(t *testing.T, text string) *catalog.Catalog {
	t.Helper()
	c, errs := catalog.ParseCSV(strings.NewReader(text), catalog.CSVOptions{})
	require.Empty(t, errs)
	return c
}

func csvErrors(text string) doc.Errors {
	_, errs := catalog.ParseCSV(strings.NewReader(text), catalog.CSVOptions{})
	return errs
}

const full = `gtin,sku,name,category,price,home_zones,minimum,maximum,attr.author
9521234500014,UB-1001,The Harbour Light,fiction,9.99,shelf-a|front-tables,front-tables:3|floor:5,front-tables:8,Ada Example
`

func TestCSVAllColumns(t *testing.T) {
	text := strings.Replace(full, "9521234500014", gtin13(1), 1)
	c := parseCSV(t, text)
	require.Equal(t, 1, c.Len())
	require.Equal(t, catalog.Product{
		GTIN: 9520000000011, SKU: "UB-1001", Name: "The Harbour Light", Category: "fiction", Price: 9.99,
		HomeZones: []string{"shelf-a", "front-tables"},
		Limits: []catalog.Limit{
			{Kind: "floor", Min: 5, HasMin: true},
			{Zone: "front-tables", Min: 3, HasMin: true, Max: 8, HasMax: true},
		},
		Attributes: map[string]string{"author": "Ada Example"},
	}, *c.At(0))

	i, ok := c.ByGTIN(9520000000011)
	require.True(t, ok)
	require.Zero(t, i)
	_, ok = c.ByGTIN(1)
	require.False(t, ok)
}

// Each numbered rule of RFC 4180, section 2, with the RFC's own records aaa,bbb,ccc and zzz,yyy,xxx
// in columns that take any text.
func TestCSVByRFC4180(t *testing.T) {
	g1, g2 := gtin13(1), gtin13(2)
	head := "gtin,attr.a,attr.b,attr.c\r\n"
	plain := []map[string]string{{"a": "aaa", "b": "bbb", "c": "ccc"}, {"a": "zzz", "b": "yyy", "c": "xxx"}}
	tests := map[string]struct {
		text string
		want []map[string]string
	}{
		"1: records end with CRLF":           {head + g1 + ",aaa,bbb,ccc\r\n" + g2 + ",zzz,yyy,xxx\r\n", plain},
		"2: the last may have no line break": {head + g1 + ",aaa,bbb,ccc\r\n" + g2 + ",zzz,yyy,xxx", plain},
		"4: spaces are part of a field":      {head + g1 + ",a a,bbb,ccc", []map[string]string{{"a": "a a", "b": "bbb", "c": "ccc"}}},
		"5: fields may be in quotes":         {head + g1 + `,"aaa","bbb","ccc"` + "\r\n" + g2 + ",zzz,yyy,xxx", plain},
		"6: quotes protect line breaks": {head + g1 + ",\"aaa\",\"b\r\nbb\",\"ccc\"\r\n" + g2 +
			",zzz,yyy,xxx", []map[string]string{{"a": "aaa", "b": "b\nbb", "c": "ccc"}, plain[1]}},
		"6: quotes protect commas": {head + g1 + `,"a,aa",bbb,ccc`,
			[]map[string]string{{"a": "a,aa", "b": "bbb", "c": "ccc"}}},
		"7: a quote is doubled inside of quotes": {head + g1 + `,"aaa","b""bb","ccc"`,
			[]map[string]string{{"a": "aaa", "b": `b"bb`, "c": "ccc"}}},
		"7: quotes protect the separator's rival": {"gtin,\"attr.a;;;\"\n" + g1 + ",aaa", []map[string]string{{"a;;;": "aaa"}}},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			c := parseCSV(t, test.text)
			var got []map[string]string
			for i := range c.Len() {
				got = append(got, c.At(i).Attributes)
			}
			require.Equal(t, test.want, got)
		})
	}
}

func TestCSVForms(t *testing.T) {
	want := parseCSV(t, "gtin,name,price\n"+gtin13(1)+",Tide Tables,12.5\n")
	for name, text := range map[string]string{
		"byte order mark":           "\ufeffgtin,name,price\n" + gtin13(1) + ",Tide Tables,12.5\n",
		"semicolons":                "gtin;name;price\n" + gtin13(1) + ";Tide Tables;12.5\n",
		"semicolons, decimal comma": "gtin;name;price\r\n" + gtin13(1) + ";Tide Tables;12,50\r\n",
		"BOM, semicolons, quotes":   "\ufeff\"gtin\";\"name\";\"price\"\n\"" + gtin13(1) + "\";\"Tide Tables\";\"12,5\"\n",
		"other order and case":      "Price, Name ,GTIN\n12.50,Tide Tables, " + gtin13(1) + " \n",
		"blank rows":                "\n\ngtin,name,price\n\n,,\n" + gtin13(1) + ",Tide Tables,12.5\n,,\n\n",
		"GTIN-14":                   "gtin,name,price\n0" + gtin13(1) + ",Tide Tables,12.5\n",
		"CR inside quotes":          "gtin,name,price\n" + gtin13(1) + ",\"Tide Tables\r\n\",12.5\n",
	} {
		t.Run(name, func(t *testing.T) { require.Equal(t, want.At(0), parseCSV(t, text).At(0)) })
	}
	// A comma that is no decimal is part of a name in a file with semicolons.
	require.Equal(t, "Tides, a history", parseCSV(t, "gtin;name\n"+gtin13(1)+";Tides, a history\n").At(0).Name)
	_, errs := catalog.ParseCSV(strings.NewReader("gtin,name\n"+gtin13(1)+",x\n"), catalog.CSVOptions{Separator: ';'})
	require.NotEmpty(t, errs, "a separator that was asked for is not second-guessed")
}

// Published GTINs of every length. Source: GS1 EPC Tag Data Standard 2.3, sections 7.3 and E.3; GS1
// Sweden, check digit page (7300011000017).
func TestGTINLengths(t *testing.T) {
	for text, want := range map[string]uint64{
		"95010939":       95010939,
		"614141123452":   614141123452,
		"7300011000017":  7300011000017,
		"9521141890127":  9521141890127,
		"79521141123453": 79521141123453,
		"09506000134352": 9506000134352,
	} {
		require.Equal(t, want, parseCSV(t, "gtin\n"+text+"\n").At(0).GTIN, text)
	}
}

func TestCSVErrorPositions(t *testing.T) {
	g1, g2 := gtin13(1), gtin13(2)
	tests := map[string]struct {
		text string
		want []string
	}{
		"empty file": {"", []string{"line 1: the file is empty; begin with a header row: gtin,sku,name,category"}},
		"no gtin column": {"sku,name\nQB-1,x\n", []string{"line 1, gtin: the column is missing; name the " +
			"column that holds the GTINs"}},
		"unknown column": {"gtin,nmae\n" + g1 + ",x\n", []string{`line 1: there is no column "nmae"; did you mean "name"?`}},
		"column of one's own": {"gtin,publisher\n", []string{`line 1: there is no column "publisher"; the columns ` +
			`are gtin, sku, name, category, price, home_zones, minimum, maximum; one of your own is named attr.NAME`}},
		"column twice": {"gtin,name,Name,attr.x,attr.x\n",
			[]string{"line 1, name: the column stands twice; keep one of them",
				"line 1, attr.x: the column stands twice; keep one of them"}},
		"attribute nameless": {"gtin,attr.\n", []string{"line 1, column 2: the attribute has no name"}},
		"UTF-16":             {"\xff\xfeg\x00t\x00", []string{"line 1: the file is UTF-16; save it as CSV in UTF-8"}},
		"check digit": {"gtin,name\n9521141890120,x\n" + g1 + ",ok\n",
			[]string{`row 1, line 2, gtin: "9521141890120" is no GTIN: the check digit of the GTIN must be 7, not ` +
				`0; compare it with the number under the barcode`}},
		"lost zeros": {"gtin\n12345678905\n", []string{`row 1, line 2, gtin: "12345678905" is no GTIN: a GTIN ` +
			`has 8, 12, 13 or 14 digits, not 11; a spreadsheet may have dropped zeros at its front: put them back up to 12 digits, and make the column text`}},
		"rounded": {"gtin\n9.52114E+12\n", []string{`row 1, line 2, gtin: "9.52114E+12" is no GTIN: a GTIN ` +
			`has 8, 12, 13 or 14 digits, not 11; a spreadsheet has rounded it and the digits are lost: make the column text and enter the number again`}},
		"missing gtin": {"gtin,name\n,x\n", []string{"row 1, line 2, gtin: is missing; every product needs its GTIN"}},
		"duplicate": {"gtin\n" + g1 + "\n" + g2 + "\n0" + g1 + "\n",
			[]string{"row 3, line 4, gtin: 09520000000011 stands in row 1 already; keep one of them"}},
		"too many fields": {"gtin,name\n" + g1 + ",Tides, a history\n",
			[]string{"row 1, line 2: has 3 columns, and the header has 2; put a text that holds the separator in quotes"}},
		"too few fields": {"gtin,name\n" + g1 + "\n", []string{"row 1, line 2: has 1 columns, and the header has " +
			"2; leave no column out; an empty one keeps its separator"}},
		"decimal comma": {"gtin,price\n" + g1 + `,"9,99"`, []string{`row 1, line 2, price: "9,99" is no price; ` +
			`write digits and a decimal point alone, like 9.99, without a divider of thousands`}},
		"thousands": {"gtin;price\n" + g1 + `;1.234,50`, []string{`row 1, line 2, price: "1.234,50" is no ` +
			`price; write digits and a decimal point alone, like 9.99, without a divider of thousands`}},
		"currency": {"gtin,price\n" + g1 + ",£9.99", []string{`row 1, line 2, price: "£9.99" is no price; ` +
			`write digits and a decimal point alone, like 9.99`}},
		"price range": {"gtin,price\n" + g1 + ",99999999999", []string{"row 1, line 2, price: 9.9999999999e+10 " +
			"is out of range: 0, or from 1e-06 to 1e+09"}},
		"zone id": {"gtin,home_zones\n" + g1 + ",Front Tables|shelf-a|shelf-a",
			[]string{`row 1, line 2, home_zones: "Front Tables" is no id of a zone; did you mean "front-tables"?`,
				`row 1, line 2, home_zones: "shelf-a" stands twice; keep one of them`}},
		"limits": {"gtin,minimum,maximum\n" + g1 + ",shelf-a|floor:-1|shelf-b:4|shelf-b:4,shelf-b:3\n", []string{
			`row 1, line 2, minimum: "shelf-a" is not a place and a number; write place:number, like front-tables:3`,
			`row 1, line 2, minimum: "-1" is not a number of pieces from 0 to 1000000`,
			`row 1, line 2, minimum: "shelf-b" stands twice; keep one of them`,
			"row 1, line 2, maximum: the minimum of shelf-b is 4, more than the maximum of 3",
		}},
		"not UTF-8": {"gtin,name\n" + g1 + ",caf\xe9\n", []string{"row 1, line 2, name: is not UTF-8; save the file as UTF-8"}},
		"control character": {"gtin,name\n" + g1 + ",a\x00b\n", []string{"row 1, line 2, name: has the control " +
			"character U+0000; remove it"}},
		"too long": {"gtin,name\n" + g1 + "," + strings.Repeat("x", 1025) + "\n",
			[]string{"row 1, line 2, name: is 1025 bytes long; at most 1024 are allowed"}},
		"line of the field": {"gtin,attr.note,name\n" + g1 + ",\"one\ntwo\",a\x00b\n" + g2 + ",,a\x00b\n", []string{
			"row 1, line 3, name: has the control character U+0000; remove it",
			"row 2, line 4, name: has the control character U+0000; remove it"}},
		"stray quote": {"gtin,name\n" + g1 + ",a \"b\"\n" + g2 + ",a\x00b\n", []string{
			`row 1, line 2: line 2, byte 17: bare " in non-quoted-field; put a text with quotes in quotes and write each quote inside twice: "say ""hello"""`,
			"row 2, line 3, name: has the control character U+0000; remove it"}},
		"quote without end": {"gtin,name\n" + g1 + ",\"a\n" + g2 + ",b\n", []string{
			`row 1, line 2: line 3, byte 17: extraneous or missing " in quoted-field; a quote that begins here may never end; put a text with quotes in quotes and write each quote inside twice: "say ""hello"""`}},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			var got []string
			for _, e := range csvErrors(test.text) {
				got = append(got, e.Summary())
			}
			require.Equal(t, test.want, got)
		})
	}
}

func TestCSVGoodRowsStand(t *testing.T) {
	c, errs := catalog.ParseCSV(strings.NewReader("gtin,name\n"+gtin13(1)+",one\n123,two\n"+gtin13(3)+",three\n"), catalog.CSVOptions{})
	require.Len(t, errs, 1)
	require.Equal(t, 2, errs[0].Row)
	require.Equal(t, 2, c.Len())
	require.Equal(t, "three", c.At(1).Name)
}

func TestErrorsAreCapped(t *testing.T) {
	text := "gtin\n" + strings.Repeat("123\n", 2500)
	errs := csvErrors(text)
	require.Len(t, errs, catalog.MaxErrors+1)
	last := errs[catalog.MaxErrors]
	require.Equal(t, 1500, last.More)
	require.Equal(t, "1500 more problems are not shown; fix these first", last.Summary())
	require.Zero(t, errs[catalog.MaxErrors-1].More)
}

func TestCSVCaps(t *testing.T) {
	var head, cells strings.Builder
	for i := range catalog.MaxAttributes + 1 {
		fmt.Fprintf(&head, ",attr.a%d", i)
		cells.WriteString(",x")
	}
	errs := csvErrors("gtin" + head.String() + "\n" + gtin13(1) + cells.String() + "\n")
	require.Len(t, errs, 1)
	require.Equal(t, "row 1, line 2: has 65 attributes; at most 64 are allowed", errs[0].Summary())

	zones := strings.Repeat("z|", 65)
	errs = csvErrors("gtin,home_zones\n" + gtin13(1) + "," + zones + "\n")
	require.Equal(t, "row 1, line 2, home_zones: has 65 entries; at most 64 are allowed", errs[0].Summary())
}

func TestCSVReaderFails(t *testing.T) {
	broken := errors.New("the line went dead")
	in := io.MultiReader(strings.NewReader("gtin\n"+gtin13(1)+"\n"), iotest.ErrReader(broken))
	c, errs := catalog.ParseCSV(in, catalog.CSVOptions{})
	require.Equal(t, 1, c.Len())
	require.Len(t, errs, 1)
	require.Contains(t, errs[0].Summary(), broken.Error())

	small := umberhithe(50)
	want, _ := catalog.ParseCSV(bytes.NewReader(small), catalog.CSVOptions{})
	got, errs := catalog.ParseCSV(iotest.OneByteReader(bytes.NewReader(small)), catalog.CSVOptions{})
	require.Empty(t, errs)
	requireSame(t, want, got)
}

func TestWriteCSV(t *testing.T) {
	c := parseCSV(t, "gtin,name,price,attr.b,attr.a,maximum,minimum\n"+gtin13(1)+
		`,"Tides, ""a"" history",9.90,x,,shelf-a:0,`+"\n"+gtin13(2)+",,,,y,,shelf-a:1\n")
	var b strings.Builder
	require.NoError(t, c.WriteCSV(&b))
	require.Equal(t, `gtin,sku,name,category,price,home_zones,minimum,maximum,attr.a,attr.b
09520000000011,,"Tides, ""a"" history",,9.9,,,shelf-a:0,,x
09520000000028,,,,,,shelf-a:1,,y,
`, b.String())
	requireSame(t, c, parseCSV(t, b.String()))

	require.Error(t, c.WriteCSV(failing{}))
}

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, errors.New("full") }

// requireSame compares what counts: products, their order and that each is found.
func requireSame(t require.TestingT, want, got *catalog.Catalog) {
	require.Equal(t, want.Len(), got.Len())
	for i := range want.Len() {
		require.Equal(t, *want.At(i), *got.At(i), "product %d", i)
		at, ok := got.ByGTIN(want.At(i).GTIN)
		require.True(t, ok)
		require.Equal(t, i, at)
		require.True(t, want.At(i).SKU == "" || slices.Contains(got.BySKU(want.At(i).SKU), i))
	}
}

// What is no list of products is refused before it takes many times its bytes.
func TestWhatIsNoTableTakesLittleMemory(t *testing.T) {
	for what, text := range map[string]string{
		"a header of commas": "gtin,name" + strings.Repeat(",", 20<<20) + "\n",
		"a row of commas":    "gtin,name\n" + strings.Repeat(",", 20<<20) + "\n",
		"rows of nothing":    "gtin,name\n" + strings.Repeat("x\n", 3_000_000),
		"many attributes":    `[{"gtin":"09521234500018","attributes":{` + strings.Repeat(`"a":"b",`, 1_000_000) + `"c":"d"}}]`,
		"many products":      "[" + strings.Repeat("{},", 3_000_000) + "{}]",
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		var found doc.Errors
		if text[0] == '[' {
			_, found = catalog.ParseJSON([]byte(text))
		} else {
			_, found = catalog.ParseCSV(strings.NewReader(text), catalog.CSVOptions{})
		}
		runtime.ReadMemStats(&after)
		require.NotEmpty(t, found, what)
		require.Less(t, (after.TotalAlloc-before.TotalAlloc)>>20, uint64(64), what)
	}
}
