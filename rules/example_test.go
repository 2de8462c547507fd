package rules_test

import (
	"fmt"

	"lintel/engine/event"
	"lintel/rules"
)

func Example() {
	set, diagnostics := rules.Check("door.yaml", []byte(`
rules:
  - name: unpaid-at-door
    when: zone.kind == "exit" and item.sellable and not item.paid
    hold: 3s
    say: "{product.name} passed {zone.name} unpaid"
`), rules.Known{})
	for _, d := range diagnostics {
		fmt.Println(d)
	}
	e := set.NewEvaluator()
	env := &rules.Env{
		Cause:   "passed",
		Item:    rules.Item{Sellable: true},
		Product: rules.Product{Name: "Tide Tables"},
		Zone:    rules.Zone{Name: "the street door", Kind: "exit"},
	}
	for _, r := range e.Candidates(event.AboutItem, "passed", env) {
		if ok, err := e.True(r, env); err == nil && ok {
			fmt.Println(r.Name, r.Hold, e.Say(&r.Choice, env))
		}
	}
	// Output: unpaid-at-door 3s Tide Tables passed the street door unpaid
}

func ExampleDiagnostic() {
	_, diagnostics := rules.Check("door.yaml", []byte(`rules:
  - name: unpaid-at-door
    when: zone.knd == "exit" and not item.paid
`), rules.Known{})
	fmt.Println(diagnostics[0])
	// Output:
	// door.yaml:3:11: unknown name "zone.knd"
	//         when: zone.knd == "exit" and not item.paid
	//               ^^^^^^^^
	//     did you mean zone.kind?
}

func ExampleEvaluator_Why() {
	set, _ := rules.Check("door.yaml", []byte(`rules:
  - name: unpaid-at-door
    when: zone.kind == "exit" and not item.paid
`), rules.Known{})
	e := set.NewEvaluator()
	why := e.Why(set.Rules()[0], &rules.Env{Zone: rules.Zone{Kind: "exit"}, Item: rules.Item{Paid: true}})
	for _, part := range why.Parts {
		fmt.Println(part.Value, part.Text)
	}
	fmt.Println(why.Names)
	// Output:
	// true zone.kind == "exit"
	// false not item.paid
	// [{item.paid true} {zone.kind exit}]
}
