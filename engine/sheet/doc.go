// Package sheet hands tables to people and their spreadsheets, and takes tables from them.
//
//	Table ─▶ WriteCSV, WriteJSON, WriteJSONLines, WriteXLSX, WriteHTML ─▶ io.Writer
//	io.Reader ─▶ ReadCSV ─▶ rows of texts
//
// A Table is columns and a sequence of rows that is asked for one row at a time, so a table of any
// length passes through a few buffers:
//
//	t := sheet.Table{
//		Name:    "Differences",
//		Site:    "Umberhithe Books",
//		Columns: []sheet.Column{{Name: "Title"}, {Name: "Expected", Kind: sheet.KindNumber}, {Name: "Price", Kind: sheet.KindMoney, Places: 2}},
//		Rows:    sheet.Rows([]sheet.Cell{sheet.Text("The Harbour Light"), sheet.Int(3), sheet.Money(999)}),
//	}
//	err := sheet.WriteCSV(w, t, sheet.CSVOptions{Defuse: true})
//
// # Which form for whom
//
// Give people XLSX or the printable page. Spreadsheets guess when they open CSV: they drop the
// leading zero of a GTIN, turn an EPC in hex such as 3E10 into a number, and read dates by the
// local order. In XLSX every cell carries its kind, so nothing is guessed. CSV and JSON are for
// programs. GTINs, EPCs and SKUs belong in columns of KindText, always.
//
// # Text that would run as a formula
//
// A spreadsheet that opens CSV takes a cell that begins with = + - @ and some others as a formula,
// whoever wrote it: a product name, a note, a foreign tag's text. With CSVOptions.Defuse such cells
// get an apostrophe before them (OWASP, "CSV Injection"), and so does a sign within a text at which
// a cell would begin if the file were opened with another separator: "x;=1+1" becomes "x;'=1+1". A
// person sees the apostrophe and a program has to take it off, so it is off by default and belongs
// on wherever the file is meant to be opened in a spreadsheet. Cells of other kinds than text are
// never changed: -3 stays a number. XLSX needs none of this, as a text cell there is a text
// whatever it begins with. No protection is complete: tell people not to follow links or warnings
// in a sheet that holds texts from outside.
//
// # Failure
//
// Every writer returns the first error of the rows, of a cell that does not fit its column, or of
// the io.Writer; what was written until then is cut off. In JSON the closing bracket is then
// missing, in HTML the line that gives the number of rows, and of an XLSX file nothing is written
// before the last row was taken; a cut CSV or JSON Lines file cannot be distinguished from a whole
// one, so let the error reach whoever has it.
//
// # Limits
//
// CSV, JSON, JSON Lines and HTML hold one row at a time. XLSX is built by
// github.com/xuri/excelize/v2, which keeps up to 16 MiB of a sheet in memory and beyond that in one
// temporary file (XLSXOptions.TempDir), removed before WriteXLSX returns; it takes up to 1,048,575
// rows beside the header, 16,384 columns and 32,767 characters a cell. Readers refuse what is larger than their options allow.
//
// There is no clock here, no random number, and no other I/O; equal tables give equal bytes.
package sheet
