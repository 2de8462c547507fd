package api

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"github.com/go-faster/jx"

	"lintel/api/kit"
	"lintel/engine/sheet"
)

// uploadColumns are the columns of reads in CSV, as members of a read.
var uploadColumns = []string{"epc", "read_point", "zone", "rssi", "time"}

// upload turns a list of identities, or a table of reads, into one read a line of JSON. lines has the
// line of each read in the body, as people count. most is how many reads are taken.
func upload(c *kit.Call, media string, body []byte, most int) (reads []byte, lines []int, err error) {
	u := uploader{most: most, point: c.QueryParam("read_point"), zone: c.QueryParam("zone")}
	if media == mediaText {
		err = u.text(body)
	} else {
		err = u.csv(body)
	}
	return u.out.Bytes(), u.lines, err
}

// uploader writes reads as JSON.
type uploader struct {
	most        int
	point, zone string // of lines that do not say
	out         bytes.Buffer
	lines       []int
}

func (u *uploader) text(body []byte) error {
	body, err := kit.CheckText(body)
	if err != nil {
		return err
	}
	n := 0
	for line := range bytes.Lines(body) {
		n++
		s := string(bytes.TrimSpace(line))
		if s == "" || s[0] == '#' {
			continue
		}
		if err := u.read(n, map[string]string{"epc": s}); err != nil {
			return err
		}
	}
	return nil
}

func (u *uploader) csv(body []byte) error {
	var columns []string // by place in a row; "": none of ours
	for row, err := range sheet.ReadCSV(bytes.NewReader(body), sheet.ReadOptions{MaxRows: u.most + 1, MaxBytes: int64(len(body)) + 1}) {
		if err != nil && len(u.lines) >= u.most {
			return u.tooMany()
		}
		if err != nil {
			return kit.Problemf(kit.CodeInvalidBody, "The table can't be read: %s.", err)
		}
		if columns == nil {
			if columns, err = columnsOf(row.Cells); err != nil {
				return err
			}
			continue
		}
		read := make(map[string]string, len(uploadColumns))
		for i, cell := range row.Cells {
			if cell = strings.TrimSpace(cell); i < len(columns) && columns[i] != "" && cell != "" {
				read[columns[i]] = cell
			}
		}
		if err := u.read(row.Number, read); err != nil {
			return err
		}
	}
	return nil
}

// columnsOf finds which column is which member of a read.
func columnsOf(head []string) (columns []string, err error) {
	for _, name := range head {
		name = strings.ReplaceAll(strings.ToLower(strings.TrimSpace(name)), " ", "_")
		if !slices.Contains(uploadColumns, name) {
			name = ""
		} else if slices.Contains(columns, name) {
			return nil, kit.Problemf(kit.CodeInvalidBody, "Line 1: the column %s is there twice.", name)
		}
		columns = append(columns, name)
	}
	if !slices.Contains(columns, "epc") {
		return nil, kit.Problemf(kit.CodeInvalidBody, "Line 1 names no column epc. Its columns are %s: write epc, and if you like %s; a "+
			"list of identities alone is Content-Type text/plain.", kit.Shown([]byte(strings.Join(head, ", "))), strings.Join(uploadColumns[1:], ", "))
	}
	return columns, nil
}

// read writes the read of a line.
func (u *uploader) read(line int, read map[string]string) error {
	if len(u.lines) == u.most {
		return u.tooMany()
	}
	u.lines = append(u.lines, line)
	if read["read_point"] == "" && u.point != "" {
		read["read_point"] = u.point
	}
	if read["zone"] == "" && u.zone != "" {
		read["zone"] = u.zone
	}
	var e jx.Encoder
	e.ObjStart()
	for _, name := range uploadColumns {
		v, ok := read[name]
		if !ok {
			continue
		}
		e.FieldStart(name)
		if n := strings.ReplaceAll(v, ",", "."); name == "rssi" && jx.DecodeStr(n).Next() == jx.Number && jx.Valid([]byte(n)) {
			e.Raw([]byte(n))
		} else {
			e.Str(v)
		}
	}
	e.ObjEnd()
	u.out.Write(e.Bytes())
	u.out.WriteByte('\n')
	return nil
}

func (u *uploader) tooMany() error {
	return kit.Problemf(codeBatchTooLarge, "The batch has more than %d reads; send several batches.", u.most).With("limit", u.most)
}

// nameLines puts the lines of an upload to what was rejected of it.
func nameLines(rejected []Rejection, lines []int) {
	for i := range rejected {
		if n := rejected[i].Index; n < len(lines) {
			rejected[i].Line = lines[n]
			rejected[i].Reason = fmt.Sprintf("line %d: %s", lines[n], rejected[i].Reason)
		}
	}
}
