package catalog_test

import (
	"fmt"
	"os"
	"strings"

	"lintel/engine/catalog"
)

func ExampleParseCSV() {
	c, errs := catalog.ParseCSV(strings.NewReader(`gtin;name;price;minimum
9521234500018;The Harbour Light;9,99;front-tables:3|floor:5
9521234500019;Tide Tables;4,50;
`), catalog.CSVOptions{})
	for _, e := range errs {
		fmt.Println(e.Summary())
	}
	i, _ := c.ByGTIN(9521234500018)
	p := c.At(i)
	fmt.Println(p.Name, p.Price)
	for _, l := range p.Limits {
		fmt.Println(l.Place(), "at least", l.Min)
	}
	// Output:
	// row 2, line 3, gtin: "9521234500019" is no GTIN: the check digit of the GTIN must be 8, not 9; compare it with the number under the barcode
	// The Harbour Light 9.99
	// floor at least 5
	// front-tables at least 3
}

func ExampleCatalog_WriteCSV() {
	c, _ := catalog.ParseJSON([]byte(`[{"gtin":"9521234500018","name":"The Harbour Light","attributes":{"author":"Ada Example"}}]`))
	if err := c.WriteCSV(os.Stdout); err != nil {
		fmt.Println(err)
	}
	// Output:
	// gtin,sku,name,category,price,home_zones,minimum,maximum,attr.author
	// 09521234500018,,The Harbour Light,,,,,,Ada Example
}
