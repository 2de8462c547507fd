package catalog

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"lintel/rules/doc"
)

// CSVOptions say how to read a CSV file.
type CSVOptions struct {
	Separator rune // ',' or ';'; 0: whichever the header row has more of
}

// The columns of a CSV file, besides those of attributes.
const (
	columnGTIN = iota
	columnSKU
	columnName
	columnCategory
	columnPrice
	columnHomeZones
	columnMinimum
	columnMaximum
	columnCount
)

var columnNames = []string{"gtin", "sku", "name", "category", "price", "home_zones", "minimum", "maximum"}

const attributePrefix = "attr."

// maxAttributeColumns is how many attributes a file may have in all; a product has at most
// MaxAttributes of them.
const maxAttributeColumns = 1000

// maxListBytes is the longest list that maxList entries can make.
const maxListBytes = maxList * 80

// ParseCSV reads products from CSV and returns those whose rows are good, and what is wrong with
// the others. All rows are checked; of the errors MaxErrors are kept, and one more then counts the
// rest. The catalog is never nil.
func ParseCSV(r io.Reader, opts CSVOptions) (*Catalog, doc.Errors) {
	p := csvParser{Report: doc.NewReport("", MaxErrors, nil, nil), b: newBuilder(), cells: map[[2]string][]Limit{},
		zones: map[string][]string{}}
	in := bufio.NewReaderSize(doc.CSVRows(&cappedReader{r: r, left: MaxFileBytes}), 64<<10)
	p.read(in, opts)
	return p.b.finish(), p.List()
}

var errTooLarge = fmt.Errorf("the file is larger than %d MiB", MaxFileBytes>>20)

// cappedReader fails once more than left bytes come, where io.LimitReader would pretend that the
// file ends.
type cappedReader struct {
	r    io.Reader
	left int64
}

func (c *cappedReader) Read(b []byte) (int, error) {
	if int64(len(b)) > c.left+1 {
		b = b[:c.left+1]
	}
	n, err := c.r.Read(b)
	if int64(n) > c.left {
		return int(c.left), errTooLarge
	}
	c.left -= int64(n)
	return n, err
}

type csvParser struct {
	*doc.Report
	b          *builder
	csv        *csv.Reader
	comma      bool // decimal commas are allowed
	fields     int  // of the header
	columns    [columnCount]int
	attributes []attributeColumn // by name
	list       []attribute       // scratch
	zones      map[string][]string
	cells      map[[2]string][]Limit // parsed limits by both cells: shops use few different ones
}

type attributeColumn struct {
	name  string
	title string // as errors name it
	at    int
}

func (p *csvParser) read(in *bufio.Reader, opts CSVOptions) {
	head := row{Report: p.Report, line: 1}
	start, _ := in.Peek(3)
	switch {
	case bytes.HasPrefix(start, []byte("\ufeff")):
		_, _ = in.Discard(3)
	case bytes.HasPrefix(start, []byte{0xff, 0xfe}) || bytes.HasPrefix(start, []byte{0xfe, 0xff}):
		head.fail("", "save it as CSV in UTF-8", "the file is UTF-16")
		return
	}
	if opts.Separator == 0 {
		opts.Separator = detectSeparator(in)
	}
	if opts.Separator != ',' && opts.Separator != ';' {
		head.fail("", "use a comma or a semicolon", "columns cannot be divided by %q", opts.Separator)
		return
	}
	p.comma = opts.Separator == ';'
	p.csv = csv.NewReader(in)
	p.csv.Comma = opts.Separator
	p.csv.FieldsPerRecord = -1 // a row of another length is an error of that row alone
	p.csv.ReuseRecord = true

	header, err := p.csv.Read()
	switch {
	case err == io.EOF:
		head.fail("", "begin with a header row: "+strings.Join(columnNames[:4], ","), "the file is empty")
		return
	case err != nil:
		p.failRead(&head, err)
		return
	}
	head.line, _ = p.csv.FieldPos(0)
	if !p.header(&head, header) {
		return
	}
	for number := 1; ; number++ {
		record, err := p.csv.Read()
		if err == io.EOF {
			return
		}
		r := row{Report: p.Report, number: number}
		if number > maxRows {
			r.fail("", "", "there are more than %d rows; the file is not read on", maxRows)
			return
		}
		if err != nil {
			if !p.failRead(&r, err) {
				return
			}
			continue
		}
		r.line, _ = p.csv.FieldPos(0)
		if !isBlank(record) { // what spreadsheets leave below a table
			p.product(&r, record)
		}
	}
}

func isBlank(record []string) bool {
	for _, s := range record {
		if s != "" {
			return false
		}
	}
	return true
}

// failRead reports what encoding/csv says and returns whether reading can go on with the next row.
func (p *csvParser) failRead(r *row, err error) bool {
	var parse *csv.ParseError
	if !errors.As(err, &parse) {
		r.fail("", "", "the file can't be read on: %v", err)
		return false
	}
	r.line = parse.StartLine
	hint := `put a text with quotes in quotes and write each quote inside twice: "say ""hello"""`
	if parse.Line != parse.StartLine {
		hint = "a quote that begins here may never end; " + hint
	}
	r.fail("", hint, "line %d, byte %d: %v", parse.Line, parse.Column, parse.Err)
	return true
}

// detectSeparator counts commas and semicolons outside quotes in the first line that isn't empty.
func detectSeparator(in *bufio.Reader) rune {
	start, _ := in.Peek(in.Size())
	commas, semicolons, quoted := 0, 0, false
	for i, c := range bytes.TrimLeft(start, "\r\n") {
		switch {
		case c == '"':
			quoted = !quoted
		case quoted:
		case c == ',':
			commas++
		case c == ';':
			semicolons++
		case c == '\n' && i > 0:
			if semicolons > commas {
				return ';'
			}
			return ','
		}
	}
	if semicolons > commas {
		return ';'
	}
	return ','
}

// header finds out which column is where and returns whether the rows can be read.
func (p *csvParser) header(r *row, record []string) bool {
	p.fields = len(record)
	for i := range p.columns {
		p.columns[i] = -1
	}
	attributes := map[string]bool{}
	for i, title := range record {
		title = strings.TrimSpace(title)
		r.line, _ = p.csv.FieldPos(i)
		lower := strings.ToLower(title)
		if strings.HasPrefix(lower, attributePrefix) {
			name := r.attributeName(fmt.Sprintf("column %d", i+1), title[len(attributePrefix):])
			switch {
			case name == "":
			case attributes[name]:
				r.fail(title, "keep one of them", "the column stands twice")
			case len(attributes) == maxAttributeColumns:
				r.fail(title, "", "there are more than %d attribute columns", maxAttributeColumns)
				return false
			default:
				attributes[name] = true
				p.attributes = append(p.attributes, attributeColumn{name: name, title: attributePrefix + name, at: i})
			}
			continue
		}
		column := slices.Index(columnNames, lower)
		switch {
		case column >= 0 && p.columns[column] >= 0:
			r.fail(lower, "keep one of them", "the column stands twice")
		case column >= 0:
			p.columns[column] = i
		case title == "":
			r.fail("", "give it a name, or remove it", "column %d has no name", i+1)
		default:
			hint := ""
			if !r.Full() {
				hint = columnHint(title)
			}
			r.fail("", hint, "there is no column %.60q", title)
		}
	}
	slices.SortFunc(p.attributes, func(a, b attributeColumn) int { return strings.Compare(a.name, b.name) })
	if p.columns[columnGTIN] < 0 {
		r.fail("gtin", "name the column that holds the GTINs", "the column is missing")
		return false
	}
	return true
}

// columnHint is how to mend a column that there is not.
func columnHint(title string) string {
	if ask := doc.DidYouMean(title, columnNames); ask != "" {
		return ask
	}
	if strings.Contains(title, "\t") {
		return "divide columns by commas or semicolons, not by tabs"
	}
	return fmt.Sprintf("the columns are %s; one of your own is named %sNAME", strings.Join(columnNames, ", "), attributePrefix)
}

func (p *csvParser) product(r *row, record []string) {
	if len(record) != p.fields {
		hint := "put a text that holds the separator in quotes"
		if len(record) < p.fields {
			hint = "leave no column out; an empty one keeps its separator"
		}
		r.fail("", hint, "has %d columns, and the header has %d", len(record), p.fields)
		return
	}
	line := r.line
	cell := func(column int) string {
		if at := p.columns[column]; at >= 0 {
			r.line, _ = p.csv.FieldPos(at)
			return record[at]
		}
		return ""
	}
	text := func(column int) string { return r.text(columnNames[column], cell(column), MaxFieldBytes, false) }

	gtin := r.gtin("gtin", cell(columnGTIN))
	sku, name, category := text(columnSKU), text(columnName), text(columnCategory)
	price := r.price("price", cell(columnPrice), p.comma)
	zones := p.homeZones(r, cell(columnHomeZones))
	limits := p.limits(r, cell(columnMinimum), cell(columnMaximum))
	p.list = p.list[:0]
	for _, a := range p.attributes {
		s := record[a.at]
		if s == "" {
			continue
		}
		r.line, _ = p.csv.FieldPos(a.at)
		if value := r.text(a.title, s, MaxFieldBytes, true); value != "" {
			p.list = append(p.list, attribute{a.name, value})
		}
	}
	if len(p.list) > MaxAttributes {
		r.fail("", "", "has %d attributes; at most %d are allowed", len(p.list), MaxAttributes)
	}
	r.line = line
	out := Product{GTIN: gtin}
	if !r.bad {
		out = Product{
			GTIN: gtin, SKU: p.b.keep(sku), Name: p.b.keep(name), Category: p.b.intern(category), Price: price,
			HomeZones: zones, Limits: limits, Attributes: p.b.attributes(p.list),
		}
	}
	p.b.add(r, out)
}

// members splits "a|b". Empty members are dropped, so that a bar too many harms nobody.
func (r *row) members(column, s string) []string {
	if len(s) > maxListBytes {
		r.fail(column, "", "is %d bytes long; at most %d are allowed", len(s), maxListBytes)
		return nil
	}
	var list []string
	for m := range strings.SplitSeq(s, "|") {
		if m = strings.TrimSpace(m); m != "" {
			list = append(list, m)
		}
	}
	if len(list) > maxList {
		r.fail(column, "", "has %d entries; at most %d are allowed", len(list), maxList)
		return nil
	}
	return list
}

func (p *csvParser) homeZones(r *row, s string) []string {
	if s == "" {
		return nil
	}
	if zones, ok := p.zones[s]; ok {
		return zones
	}
	var ids []string
	for _, m := range r.members("home_zones", s) {
		ids = r.addZone("home_zones", m, ids)
	}
	if r.bad {
		return nil
	}
	zones := p.b.homeZones(ids)
	p.zones[strings.Clone(s)] = zones
	return zones
}

func (p *csvParser) limits(r *row, minimum, maximum string) []Limit {
	if minimum == "" && maximum == "" {
		return nil
	}
	key := [2]string{minimum, maximum}
	if limits, ok := p.cells[key]; ok {
		return limits
	}
	var limits []Limit
	take := func(column, s string, set func(*Limit, int) (twice bool)) {
		for _, m := range r.members(column, s) {
			place, number, ok := strings.Cut(m, ":")
			if !ok {
				r.fail(column, "write place:number, like front-tables:3", "%.40q is not a place and a number", m)
				continue
			}
			place, ok = r.zoneID(column, place)
			n, err := strconv.ParseUint(strings.TrimSpace(number), 10, 32)
			if err != nil || n > MaxPieces {
				r.fail(column, "", "%.40q is not a number of pieces from 0 to %d", number, MaxPieces)
				ok = false
			}
			if !ok {
				continue
			}
			i := slices.IndexFunc(limits, func(l Limit) bool { return l.Place() == place })
			if i < 0 {
				i = len(limits)
				limits = append(limits, placed(place))
			}
			if set(&limits[i], int(n)) {
				r.fail(column, "keep one of them", "%q stands twice", place)
			}
		}
	}
	take("minimum", minimum, func(l *Limit, n int) bool {
		twice := l.HasMin
		l.Min, l.HasMin = n, true
		return twice
	})
	take("maximum", maximum, func(l *Limit, n int) bool {
		twice := l.HasMax
		l.Max, l.HasMax = n, true
		return twice
	})
	for _, l := range limits {
		r.checkRange("maximum", l)
	}
	if len(limits) > maxList {
		r.fail("maximum", "", "minimum and maximum name %d places; at most %d are allowed", len(limits), maxList)
	}
	if r.bad {
		return nil
	}
	limits = p.b.limitsOf(limits)
	p.cells[[2]string{strings.Clone(minimum), strings.Clone(maximum)}] = limits
	return limits
}

// WriteCSV writes the products as ParseCSV reads them: divided by commas, all columns, attributes
// by name, GTINs with 14 digits. It fails if w does, or if the products have more than 1,000
// attributes between them, which JSON can hold.
func (c *Catalog) WriteCSV(w io.Writer) error {
	names := map[string]bool{}
	for i := range c.products {
		for name := range c.products[i].Attributes {
			names[name] = true
		}
	}
	if len(names) > maxAttributeColumns {
		return fmt.Errorf("the products have %d different attributes, and a CSV file at most %d columns for them: "+
			"take JSON", len(names), maxAttributeColumns)
	}
	attributes := make([]string, 0, len(names))
	for name := range names {
		attributes = append(attributes, name)
	}
	slices.Sort(attributes)

	out := csv.NewWriter(w)
	record := slices.Clone(columnNames)
	for _, name := range attributes {
		record = append(record, attributePrefix+name)
	}
	if err := out.Write(record); err != nil {
		return err
	}
	for i := range c.products {
		p := &c.products[i]
		record = append(record[:0], formatGTIN(p.GTIN), p.SKU, p.Name, p.Category, formatPrice(p.Price), strings.Join(p.HomeZones, "|"),
			formatLimits(p.Limits, func(l Limit) (int, bool) { return l.Min, l.HasMin }),
			formatLimits(p.Limits, func(l Limit) (int, bool) { return l.Max, l.HasMax }))
		for _, name := range attributes {
			record = append(record, p.Attributes[name])
		}
		if err := out.Write(record); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

func formatPrice(x float64) string {
	if x == 0 {
		return ""
	}
	return strconv.FormatFloat(x, 'f', -1, 64)
}

func formatLimits(limits []Limit, bound func(Limit) (int, bool)) string {
	var parts []string
	for _, l := range limits {
		if n, ok := bound(l); ok {
			parts = append(parts, l.Place()+":"+strconv.Itoa(n))
		}
	}
	return strings.Join(parts, "|")
}
