// Package doc is the front end of every document that a person writes: rules, cases, layouts,
// channels, products and recorded passages. It turns bytes into values with their places, reads
// members strictly, and reports what is wrong.
//
//	bytes ─▶ size, UTF-8, lines ─▶ YAML: tokens ─▶ guard ─▶ parser ─┬▶ Node ─▶ Object ─▶ values
//	                            └▶ JSON: validity ─▶ reader ────────┘               └▶ Report of Diagnostics
//
// JSON and YAML give the same Node. Every bound is checked before the bytes reach a parser: a YAML
// parser takes the square of the length of a line, of consecutive blank lines and of the keys of
// one mapping, and both recurse into what is nested. What documents of a shop have no use for is
// refused in YAML: anchors, aliases, merge keys, tags, directives, "?" keys, a second document and
// control characters. JSON is what RFC 8259 says it is, as encoding/json decides; it may be one
// long line, and JSONRows hands out the elements of a long list one at a time.
//
// Reading stops at the first problem of form, since what follows one means little; a panic of the
// YAML parser is one more such problem. All problems of meaning are found in one reading, up to the
// limit of the Report.
//
// A Diagnostic is the one way in which a problem is told, in Go, in the API and in text: path,
// line, column, reason and hint, and in text the line of the document with a caret under the place.
package doc
