package export

import (
	"fmt"
	"slices"
	"strings"

	"lintel/engine/event"
)

// kind is what a column holds. A value of a row is nil where nothing is known, else of the Go type
// in brackets.
type kind uint8

const (
	kindText   kind = iota // (string)
	kindInt                // (int64)
	kindFloat              // (float64)
	kindAmount             // (float64) in the shop's currency
	kindBool               // (bool)
	kindTime               // (instant)
	kindJSON               // (string) a JSON document
)

// instant is a moment in Unix milliseconds.
type instant int64

// column describes one column of a table, in the database and, under the same name, in the CSV
// file.
type column struct {
	name    string
	kind    kind
	about   string
	key     bool // part of the primary key
	csvOnly bool // in the CSV file alone, where there is nothing to join with
	added   int  // the schema version that brought it; 0: that of the table
}

// table describes one table.
type table struct {
	name    string // in the database, "lintel_" stands before it
	about   string
	columns []column
	indexes [][]string
	added   int // the schema version that brought it
}

func (t *table) sqlName() string { return "lintel_" + t.name }

// stored returns the columns that the database has.
func (t *table) stored() []column {
	return slices.DeleteFunc(slices.Clone(t.columns), func(c column) bool { return c.csvOnly })
}

func (t *table) keys() []string {
	var names []string
	for _, c := range t.columns {
		if c.key {
			names = append(names, c.name)
		}
	}
	return names
}

// schemaVersion is the newest version of the tables that this Lintel knows. To change them, raise
// it, and give what is new this number in added: migrations only ever add.
const schemaVersion = 2

// oneOf lists the values that a column can have.
func oneOf(texts []string) string {
	return strings.Join(texts[:len(texts)-1], ", ") + " or " + texts[len(texts)-1]
}

var siteColumn = column{name: "site", key: true, about: "The shop's id."}

var itemsTable = table{
	name: "items", added: 1, about: "Every tagged thing that a shop knows of, as it is now.",
	columns: []column{
		siteColumn,
		{name: "item", key: true, about: "Its identity: a GS1 element string, or a URI for what is no GS1 EPC."},
		{name: "gtin", about: "The product, 14 digits."},
		{name: "sku", csvOnly: true, about: "The shop's own number of the product."},
		{name: "name", csvOnly: true, about: "The product's name."},
		{name: "disposition", about: "Business state, in the terms of the GS1 Core Business Vocabulary: " +
			oneOf(event.Dispositions.Texts()) + "."},
		{name: "zone", about: "Where it is; empty where that is not known."},
		{name: "from_zone", about: "Where it was before."},
		{name: "read_point", about: "The read point that last heard it. As fresh as last_seen."},
		{name: "since", kind: kindTime, about: "When it came to where it is."},
		{name: "last_seen", kind: kindTime, about: "When it was last heard."},
		{name: "declared", kind: kindBool, about: "A person or a till said where it is; else the readers did. As fresh as last_seen."},
		{name: "foreign_tag", kind: kindBool, about: "The tag is not this shop's."},
	},
	indexes: [][]string{{"site", "gtin"}, {"site", "zone"}},
}

var stockTable = table{
	name: "stock", added: 1, about: "How many sellable items of each product are in each place that has some, or has a minimum or maximum.",
	columns: []column{
		siteColumn,
		{name: "gtin", key: true, about: "The product, 14 digits."},
		{name: "sku", csvOnly: true, about: "The shop's own number of the product."},
		{name: "name", csvOnly: true, about: "The product's name."},
		{name: "place", key: true, about: "A zone, or kind:KIND for all zones of a kind taken together."},
		{name: "pieces", kind: kindInt, about: "Sellable items there."},
		{name: "minimum", kind: kindInt, about: "How many should be there at least."},
		{name: "maximum", kind: kindInt, about: "How many should be there at most."},
		{name: "short", kind: kindInt, about: "How many are missing to the minimum, 0 for none."},
	},
}

var countsTable = table{
	name: "counts", added: 1, about: "Stock-takes and checks of deliveries. What closing one found is empty until it is closed.",
	columns: []column{
		siteColumn,
		{name: "count_id", key: true, about: "The count's id."},
		{name: "status", about: oneOf(event.CountStatuses.Texts()) + "."},
		{name: "final", kind: kindBool, about: "It can't be opened again."},
		{name: "zones", about: "The zones counted, divided by a bar."},
		{name: "delivery", kind: kindBool, about: "It checks a delivery against its papers."},
		{name: "opened_by", about: "Who opened it."},
		{name: "note", about: "What they wrote."},
		{name: "opened_at", kind: kindTime, about: "When it was opened."},
		{name: "closed_at", kind: kindTime, about: "When it was closed."},
		{name: "pass", kind: kindInt, about: "The pass over the shelves that is under way, or was the last."},
		{name: "reads", kind: kindInt, about: "Tag reports taken, repeats included."},
		{name: "tags", kind: kindInt, about: "Different tags heard."},
		{name: "expected", kind: kindInt, about: "Items that should have been there."},
		{name: "matched", kind: kindInt, about: "Of them, heard there."},
		{name: "missing", kind: kindInt, about: "Of them, not heard."},
		{name: "unexpected", kind: kindInt, about: "Heard there, not expected."},
		{name: "products", kind: kindInt, about: "Products expected or found."},
		{name: "products_right", kind: kindInt, about: "Of them, with exactly the expected number."},
		{name: "blind", kind: kindBool, about: "Keys that may only count were not shown what was expected.", added: 2},
		{name: "recount", kind: kindBool, about: "It looked for what another count had missed, and for nothing else.", added: 2},
		{name: "fields", about: "What the shop asks of each count, as a JSON object by the ids of the layout.", added: 2},
	},
}

var alertsTable = table{
	name: "alerts", added: 1,
	about: "What rules made of facts, as far as anybody was notified, open and ended. An alert is a prompt to look, not proof of anything.",
	columns: []column{
		siteColumn,
		{name: "alert", key: true, about: "The alert's id."},
		{name: "rule", about: "The rule that raised it."},
		{name: "rule_digest", about: "Which version of the rule that was."},
		{name: "about", about: "What it is about: " + oneOf(event.Subjects.Texts()) + "."},
		{name: "severity", about: "info, warning or urgent."},
		{name: "status", about: oneOf(event.AlertStatuses.Texts()[event.AlertOpen:]) + "."},
		{name: "watch", kind: kindBool, about: "The rule was only watched: nobody was notified."},
		{name: "say", about: "The rule's sentence, filled in."},
		{name: "item", about: "The item that it is about."},
		{name: "gtin", about: "The product, 14 digits."},
		{name: "zone", about: "Where the subject was when the alert opened."},
		{name: "place", about: "Of stock: a zone, or kind:KIND; of a reader: the read point."},
		{name: "cause", about: "What the fact that raised it was: " + oneOf(event.Causes.Texts()) + "."},
		{name: "fact_ms", kind: kindInt, about: "With fact_n: the fact that raised it."},
		{name: "fact_n", kind: kindInt, about: "See fact_ms."},
		{name: "direction", about: "Of a passage: " + oneOf(event.Directions.Texts()) + "."},
		{name: "confidence", kind: kindFloat, about: "Of a passage: 0 to 1, how sure it is."},
		{name: "gathered", kind: kindInt, about: "How many others joined this alert and are sent as part of it."},
		{name: "true_since", kind: kindTime, about: "When the rule's condition became true."},
		{name: "opened_at", kind: kindTime, about: "When people were notified."},
		{name: "cleared_at", kind: kindTime, about: "When the condition ended by itself."},
		{name: "acknowledged_at", kind: kindTime, about: "When somebody took it in hand."},
		{name: "acknowledged_by", about: "Who."},
		{name: "closed_at", kind: kindTime, about: "When a person closed it."},
		{name: "closed_by", about: "Who."},
		{name: "outcome", about: "Whether the rule was right: " + oneOf(event.Outcomes.Texts()) + "."},
		{name: "note", about: "What people wrote."},
	},
	indexes: [][]string{{"site", "opened_at"}},
}

var factsTable = table{
	name: "facts", added: 1, about: "What happened, one row a fact, only ever appended.",
	columns: []column{
		siteColumn,
		{name: "fact_ms", kind: kindInt, key: true, about: "The site clock when it was found, Unix milliseconds; " +
			"with fact_n the fact's id, which only grows."},
		{name: "fact_n", kind: kindInt, key: true, about: "Number within that millisecond."},
		{name: "entry", kind: kindInt, about: "The journal entry that it came of."},
		{name: "cause", about: oneOf(event.Causes.Texts()) + "."},
		{name: "at", kind: kindTime, about: "When it happened."},
		{name: "item", about: "The item."},
		{name: "gtin", about: "The product, 14 digits."},
		{name: "disposition", about: "Of an item: its business state afterwards."},
		{name: "zone", about: "Where it is now; of stock: the zone counted."},
		{name: "from_zone", about: "Where it was before."},
		{name: "read_point", about: "The read point that reported."},
		{name: "ref", about: "The business document, or the count."},
		{name: "direction", about: "Of a passage: " + oneOf(event.Directions.Texts()) + "."},
		{name: "confidence", kind: kindFloat, about: "Of a passage: 0 to 1, how sure it is."},
		{name: "reads", kind: kindInt, about: "Of a passage: moments in which the door heard it."},
		{name: "peak_rssi", kind: kindFloat, about: "Of a passage: the strongest read, dBm."},
		{name: "span_ms", kind: kindInt, about: "Of a passage: from the first read to the last, milliseconds."},
		{name: "pieces", kind: kindInt, about: "Of stock: items in the zone now; of a count: tags found."},
		{name: "expected", kind: kindInt, about: "Of a count: items that should have been there."},
		{name: "missing", kind: kindInt, about: "Of a count: of them, not heard."},
		{name: "unexpected", kind: kindInt, about: "Of a count: heard, not expected."},
	},
	indexes: [][]string{{"site", "item"}, {"site", "at"}},
}

var productsTable = table{
	name: "products", added: 1, about: "The product list, which all shops share.",
	columns: []column{
		{name: "gtin", key: true, about: "14 digits."},
		{name: "sku", about: "The shop's own number."},
		{name: "name", about: "What it is called."},
		{name: "category", about: "What it is counted under."},
		{name: "price", kind: kindAmount, about: "In the shop's currency."},
		{name: "home_zones", about: "Zones where it belongs, best first, divided by a bar."},
		{name: "attributes", kind: kindJSON, about: "Free attributes, a JSON object of texts."},
	},
}

var syncTable = table{
	name: "sync", added: 1, about: "How far each shop was copied. Written in the same transaction as what it speaks of.",
	columns: []column{
		siteColumn,
		{name: "fact_ms", kind: kindInt, about: "With fact_n: the last fact in lintel_facts; 0 for none yet."},
		{name: "fact_n", kind: kindInt, about: "See fact_ms."},
		{name: "entry", kind: kindInt, about: "The journal entry as of which the rows are true, at least."},
		{name: "documents", about: "The documents that stock was last swept with."},
		{name: "todo", kind: kindInt, about: "What is owed: 0 nothing, 1 a comparison of the stock, 2 of everything, 3 a full copy."},
		{name: "swept_at", kind: kindTime, about: "When everything was last compared. last_seen of items is true as of then, or newer."},
		{name: "updated_at", kind: kindTime, about: "When anything was last written."},
	},
}

var metaTable = table{
	name: "meta", added: 1, about: "Versions.",
	columns: []column{
		{name: "name", key: true, about: "schema: of these tables; products: of the product list in lintel_products."},
		{name: "version", kind: kindInt, about: "The version."},
	},
}

// sqlTables are the tables in the database.
var sqlTables = []*table{&metaTable, &syncTable, &productsTable, &itemsTable, &stockTable, &countsTable, &alertsTable, &factsTable}

// migration returns the statements that bring the tables from version v-1 to v.
func migration(d *dialect, tables []*table, v int) []string {
	var list []string
	for _, t := range tables {
		var fresh []column
		for _, c := range t.stored() {
			if max(c.added, t.added) == v {
				fresh = append(fresh, c)
			}
		}
		switch {
		case t.added == v:
			var lines []string
			for _, c := range fresh {
				null := ""
				if c.key {
					null = " NOT NULL"
				}
				lines = append(lines, c.name+" "+d.types[c.kind]+null)
			}
			lines = append(lines, "PRIMARY KEY ("+strings.Join(t.keys(), ", ")+")")
			list = append(list, fmt.Sprintf("CREATE TABLE %s (\n  %s\n)", t.sqlName(), strings.Join(lines, ",\n  ")))
			for _, columns := range t.indexes {
				list = append(list, fmt.Sprintf("CREATE INDEX %s_by_%s ON %s (%s)", t.sqlName(),
					columns[len(columns)-1], t.sqlName(), strings.Join(columns, ", ")))
			}
		case t.added < v:
			for _, c := range fresh {
				list = append(list, fmt.Sprintf("ALTER TABLE %s ADD COLUMN %s %s", t.sqlName(), c.name, d.types[c.kind]))
			}
		}
		if d.comments && t.added <= v {
			if t.added == v {
				list = append(list, fmt.Sprintf("COMMENT ON TABLE %s IS '%s'", t.sqlName(), quoteText(t.about)))
			}
			for _, c := range fresh {
				list = append(list, fmt.Sprintf("COMMENT ON COLUMN %s.%s IS '%s'", t.sqlName(), c.name, quoteText(c.about)))
			}
		}
	}
	return list
}

func quoteText(s string) string { return strings.ReplaceAll(s, "'", "''") }
