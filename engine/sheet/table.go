package sheet

import (
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"
)

// Kind is what a column holds.
type Kind uint8

// The kinds of columns.
const (
	KindText   Kind = iota // Text
	KindNumber             // Int or Float
	KindDate               // Date: a day
	KindTime               // Time: a moment
	KindMoney              // Money: an amount in the smallest unit of its currency
)

var kindNames = []string{"a text", "a number", "a date", "a time", "an amount of money"}

func (k Kind) String() string {
	if int(k) >= len(kindNames) {
		return fmt.Sprintf("kind %d", k)
	}
	return kindNames[k]
}

// Column describes one column.
type Column struct {
	Name     string // what people read
	Key      string // what programs read in JSON; "": Name
	Kind     Kind
	Currency string // of money: its ISO 4217 code, shown beside Name to people; "": none
	Places   int    // of money: how many decimal places the smallest unit is, 0 to 6: 2 for cents
	Width    int    // in XLSX, in characters; 0: what suits the kind
}

func (c *Column) key() string {
	if c.Key != "" {
		return c.Key
	}
	return c.Name
}

// title is the name as people read it.
func (c *Column) title() string {
	if c.Kind == KindMoney && c.Currency != "" {
		return c.Name + " (" + c.Currency + ")"
	}
	return c.Name
}

// Table is a table on its way to people.
type Table struct {
	Name    string         // what it is
	Site    string         // of which shop; "": not said
	At      time.Time      // as of when; zero: not said
	Zone    *time.Location // in which times are shown; nil: UTC
	Notes   []string       // sentences that must be read with it
	Below   []string       // on the page: sentences that follow it
	Columns []Column
	GroupBy string // the name of the column at whose changes a new group of rows begins on the page; "": none

	// Rows gives the rows in order, one cell for each column. A slice need only be good until the
	// next is asked for. After an error no more are asked for.
	Rows iter.Seq2[[]Cell, error]
}

// Rows makes the sequence of rows that are at hand.
func Rows(rows ...[]Cell) iter.Seq2[[]Cell, error] {
	return func(yield func([]Cell, error) bool) {
		for _, r := range rows {
			if !yield(r, nil) {
				return
			}
		}
	}
}

const maxColumns = 16384 // as in a spreadsheet

func (t *Table) zone() *time.Location {
	if t.Zone == nil {
		return time.UTC
	}
	return t.Zone
}

// check says what is wrong with the table's description.
func (t *Table) check() error {
	if len(t.Columns) == 0 || len(t.Columns) > maxColumns {
		return fmt.Errorf("table %q: %d columns: give 1 to %d", t.Name, len(t.Columns), maxColumns)
	}
	if t.Rows == nil {
		return fmt.Errorf("table %q: no rows were given: an empty table has Rows()", t.Name)
	}
	names, keys := map[string]bool{}, map[string]bool{}
	for i := range t.Columns {
		c := &t.Columns[i]
		switch {
		case strings.TrimSpace(c.Name) == "":
			return fmt.Errorf("table %q: column %d has no name", t.Name, i+1)
		case names[c.Name]:
			return fmt.Errorf("table %q: two columns are named %q", t.Name, c.Name)
		case keys[c.key()]:
			return fmt.Errorf("table %q: two columns have the key %q", t.Name, c.key())
		case c.Kind > KindMoney:
			return fmt.Errorf("table %q, column %q: there is no %s", t.Name, c.Name, c.Kind)
		case c.Places < 0 || c.Places > 6:
			return fmt.Errorf("table %q, column %q: %d decimal places: give 0 to 6", t.Name, c.Name, c.Places)
		}
		names[c.Name], keys[c.key()] = true, true
	}
	if t.GroupBy != "" && t.groupColumn() < 0 {
		return fmt.Errorf("table %q: no column is named %q, by which to group", t.Name, t.GroupBy)
	}
	return nil
}

func (t *Table) groupColumn() int {
	if t.GroupBy == "" {
		return -1
	}
	return slices.IndexFunc(t.Columns, func(c Column) bool { return c.Name == t.GroupBy })
}

// each gives every row to f after checking it, with its number from 1.
func (t *Table) each(f func(n int, row []Cell) error) error {
	n := 0
	for row, err := range t.Rows {
		n++
		if err != nil {
			return fmt.Errorf("table %q, row %d: %w", t.Name, n, err)
		}
		if err := t.checkRow(row); err != nil {
			return fmt.Errorf("table %q, row %d%w", t.Name, n, err)
		}
		if err := f(n, row); err != nil {
			return err
		}
	}
	return nil
}

func (t *Table) checkRow(row []Cell) error {
	if len(row) != len(t.Columns) {
		return fmt.Errorf(": %d cells: give one for each of the %d columns", len(row), len(t.Columns))
	}
	for i := range row {
		if err := row[i].fits(&t.Columns[i]); err != nil {
			return fmt.Errorf(", column %q: %w", t.Columns[i].Name, err)
		}
	}
	return nil
}
