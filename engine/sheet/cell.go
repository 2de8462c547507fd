package sheet

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"
)

type cellKind uint8

const (
	cellEmpty cellKind = iota
	cellText
	cellInt
	cellFloat
	cellDate
	cellTime
	cellMoney
)

// Cell is one value. The zero value is an empty cell and fits every column.
type Cell struct {
	kind cellKind
	n    int64 // bits of a float; days or milliseconds since 1970; smallest units
	text string
}

// Text is a text. The empty text is an empty cell.
func Text(s string) Cell {
	if s == "" {
		return Cell{}
	}
	return Cell{kind: cellText, text: s}
}

// Int is a whole number.
func Int(n int64) Cell { return Cell{kind: cellInt, n: n} }

// Float is a number. NaN and the infinities are refused by all writers.
func Float(x float64) Cell { return Cell{kind: cellFloat, n: int64(math.Float64bits(x))} }

// Money is an amount in the smallest unit of its currency; Column.Places says how many decimal
// places that is.
func Money(smallest int64) Cell { return Cell{kind: cellMoney, n: smallest} }

// Date is the day that the clock of t shows, in the years 0 to 9999. The zero time is an empty
// cell.
func Date(t time.Time) Cell {
	if t.IsZero() {
		return Cell{}
	}
	y, m, d := t.Date()
	return Cell{kind: cellDate, n: time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400}
}

// Time is a moment, to the millisecond, in the years 0 to 9999. It is shown in the zone of the
// table. The zero time is an empty cell.
func Time(t time.Time) Cell {
	if t.IsZero() {
		return Cell{}
	}
	return Cell{kind: cellTime, n: t.UnixMilli()}
}

// Empty reports whether there is nothing in the cell.
func (c Cell) Empty() bool { return c.kind == cellEmpty }

func (c Cell) float() float64 { return math.Float64frombits(uint64(c.n)) }

func (c Cell) date() time.Time { return time.Unix(c.n*86400, 0).UTC() }

func (c Cell) time(zone *time.Location) time.Time { return time.UnixMilli(c.n).In(zone) }

var cellKinds = []struct {
	kind Kind
	name string
}{{0, "nothing"}, {KindText, "a text"}, {KindNumber, "a number"}, {KindNumber, "a number"}, {KindDate, "a date"},
	{KindTime, "a time"}, {KindMoney, "an amount of money"}}

// The first and last milliseconds that dates and times may be, for any zone: years 0 to 9999, one
// day less on either side.
var firstTime, lastTime = time.Date(0, 1, 2, 0, 0, 0, 0, time.UTC).UnixMilli(), time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC).UnixMilli()

func (c Cell) fits(col *Column) error {
	if c.kind == cellEmpty {
		return nil
	}
	if k := cellKinds[c.kind]; k.kind != col.Kind {
		return fmt.Errorf("%s where the column has %s", k.name, col.Kind)
	}
	switch c.kind {
	case cellFloat:
		if x := c.float(); math.IsNaN(x) || math.IsInf(x, 0) {
			return errors.New("not a number: leave the cell empty")
		}
	case cellDate:
		if c.n < firstTime/86_400_000 || c.n > lastTime/86_400_000 {
			return errors.New("a date outside of the years 0 to 9999")
		}
	case cellTime:
		if c.n < firstTime || c.n > lastTime {
			return errors.New("a time outside of the years 0 to 9999")
		}
	}
	return nil
}

// appendPlain appends the cell as programs read it: numbers with a decimal point, dates and times
// by RFC 3339. Of texts it appends the text as it is.
func (c Cell) appendPlain(b []byte, col *Column, zone *time.Location) []byte {
	switch c.kind {
	case cellText:
		return append(b, c.text...)
	case cellInt:
		return strconv.AppendInt(b, c.n, 10)
	case cellFloat:
		return strconv.AppendFloat(b, c.float(), 'f', -1, 64)
	case cellDate:
		return c.date().AppendFormat(b, time.DateOnly)
	case cellTime:
		return c.time(zone).AppendFormat(b, "2006-01-02T15:04:05.999Z07:00")
	case cellMoney:
		return appendMoney(b, c.n, col.Places)
	}
	return b
}

// appendShown appends the cell as people read it: times to the second, without their zone.
func (c Cell) appendShown(b []byte, col *Column, zone *time.Location) []byte {
	if c.kind == cellTime {
		return c.time(zone).AppendFormat(b, time.DateTime)
	}
	return c.appendPlain(b, col, zone)
}

func appendMoney(b []byte, n int64, places int) []byte {
	if places == 0 {
		return strconv.AppendInt(b, n, 10)
	}
	u := uint64(n)
	if n < 0 {
		b = append(b, '-')
		u = -u // right for the smallest int64 too
	}
	unit := uint64(1)
	for range places {
		unit *= 10
	}
	b = strconv.AppendUint(b, u/unit, 10)
	b = append(b, '.')
	fraction := strconv.AppendUint(nil, u%unit+unit, 10) // with a 1 in front, which keeps the zeros
	return append(b, fraction[1:]...)
}
