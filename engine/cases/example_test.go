package cases_test

import (
	"fmt"

	"lintel/engine/cases"
	"lintel/rules"
)

// A case that goes wrong says what came nearest.
func ExampleRun() {
	book, _ := cases.NewBook("rules.yaml", []byte(`rules:
  - name: unpaid-at-exit
    when: zone.kind == "exit" and item.sellable and not item.paid
    hold: 3s
`), rules.Known{})
	file, _ := cases.Parse("rules_cases.yaml", []byte(`layout: layout.json
products: products.csv
items: {tide: {product: TIDE, serial: 1}}
start: 2026-03-10 10:00
cases:
  - name: a sale that comes too late
    steps:
      - put: {items: tide, zone: shelf-a}
      - wait: 1m
      - walk: {items: tide, through: street-door}
      - wait: 2s
      - sold: {items: tide, zone: till, ago: 10s}
      - wait: 1m
      - expect: [{rule: unpaid-at-exit, item: tide}]
`), cases.Context{ReadFile: shopFile})
	fmt.Print(cases.Run(file, book))
	// Output:
	// rules_cases.yaml:14:18: case "a sale that comes too late": unpaid-at-exit opened tide did not happen
	//     - unpaid-at-exit opened  tide
	//           the condition was true of tide at 10:01:05 (passed street-door out, confidence 0.75), until 10:01:05.601 (sold street-door): not for the hold of 3s
	//       nothing happened to any alert from 10:00:00 to 10:02:05.601
	// rules_cases.yaml: 1 of 1 case failed
}
