// Package catalog holds what a shop sells: one Product for each GTIN.
//
// Products come as CSV (ParseCSV) or JSON (ParseJSON), are kept in a compact binary form
// (AppendBinary, ParseBinary) and go out as either text form again (WriteCSV, MarshalJSON). The
// text forms are written by people and their spreadsheets, so every row is checked and everything
// wrong is reported by row and column, with how to fix it.
//
// # CSV
//
// RFC 4180, in UTF-8 with or without a byte order mark, divided by commas or semicolons (the header
// row says which):
//
//	gtin,sku,name,category,price,home_zones,minimum,maximum,attr.author
//	9521234500018,UB-1001,The Harbour Light,fiction,9.99,shelf-a|front-tables,front-tables:3|floor:5,front-tables:8,Ada Example
//
// Only the column gtin must be there. A list has its members divided by '|'. A minimum or maximum
// is a place and a number of pieces; the place is the id of a zone or the name of a kind of zones.
// A column "attr.NAME" is the free attribute NAME. Prices have a decimal point; where semicolons
// divide the columns, a decimal comma will do as well.
//
// # JSON
//
//	{"products": [{
//	  "gtin": "09521234500018", "sku": "UB-1001", "name": "The Harbour Light", "category": "fiction", "price": 9.99,
//	  "home_zones": ["shelf-a", "front-tables"],
//	  "limits": [{"zone": "front-tables", "min": 3, "max": 8}, {"kind": "floor", "min": 5}],
//	  "attributes": {"author": "Ada Example"}
//	}]}
//
// The bare list of products will do as well.
//
// # What a catalog promises
//
// It is not changed once it was made and may be shared by any number of goroutines. White space
// around a text is dropped, an attribute without a value does not exist, and equal strings, lists
// and attribute sets are kept once. The package does no I/O beyond the reader and writer that it is
// given, and depends on nothing but its input.
package catalog
