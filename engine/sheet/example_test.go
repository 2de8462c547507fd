package sheet_test

import (
	"fmt"
	"strings"

	"lintel/engine/estimate"
	"lintel/engine/sheet"
)

func ExampleWriteCSV() {
	t := sheet.Table{
		Name: "Stock",
		Columns: []sheet.Column{{Name: "GTIN"}, {Name: "Title"}, {Name: "On hand", Kind: sheet.KindNumber},
			{Name: "Price", Kind: sheet.KindMoney, Currency: "EUR", Places: 2}},
		Rows: sheet.Rows(
			[]sheet.Cell{sheet.Text("09521234500018"), sheet.Text("The Harbour Light"), sheet.Int(3), sheet.Money(999)},
			[]sheet.Cell{sheet.Text("09521234500025"), sheet.Text("=Tides"), sheet.Int(0), sheet.Money(1250)},
		),
	}
	var out strings.Builder
	if err := sheet.WriteCSV(&out, t, sheet.CSVOptions{Defuse: true}); err != nil {
		fmt.Println(err)
	}
	fmt.Print(strings.ReplaceAll(out.String(), "\r\n", "\n"))
	// Output:
	// GTIN,Title,On hand,Price (EUR)
	// 09521234500018,The Harbour Light,3,9.99
	// 09521234500025,'=Tides,0,12.50
}

// What an estimate says belongs on the page, with its caution.
func ExampleWriteHTML() {
	a := estimate.Assess(estimate.Input{Tally: estimate.Tally{Reads: 19, Distinct: 10, Freq: [estimate.TallyCap]int{3, 5, 2}}, Expected: 14})
	t := sheet.Table{
		Name: "Count of the children's room", Site: "Umberhithe Books", Notes: []string{a.Words, a.Caution},
		Columns: []sheet.Column{{Name: "Title"}}, Rows: sheet.Rows([]sheet.Cell{sheet.Text("Mole & Moon")}),
	}
	var out strings.Builder
	if err := sheet.WriteHTML(&out, t); err != nil {
		fmt.Println(err)
	}
	for line := range strings.Lines(out.String()) {
		if strings.Contains(line, `class="note"`) || strings.Contains(line, "<td>") {
			fmt.Print(line)
		}
	}
	// Output:
	// <p class="note">The reads do not show that more tags are here, and do not rule it out (95 %: 0 to 7); 10 tags found where 14 are expected.</p>
	// <p class="note">Tags that cannot answer (damaged, shielded by metal or liquid, pressed against another tag) are in no estimate, so an item that was not read is not proven gone.</p>
	// <tr><td>Mole &amp; Moon</td></tr>
}

func ExampleReadCSV() {
	file := strings.NewReader("gtin;title\r\n09521234500018;The Harbour Light\r\n")
	for row, err := range sheet.ReadCSV(file, sheet.ReadOptions{}) {
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%d: %q\n", row.Number, row.Cells)
	}
	// Output:
	// 1: ["gtin" "title"]
	// 2: ["09521234500018" "The Harbour Light"]
}
