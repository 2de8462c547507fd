// Package yamldoc reads one YAML document that a stranger wrote into values with their places. It is the front end of everything that staff write as YAML: rules and the cases
// beside them.
//
//	bytes ─▶ size, characters, lines ─▶ tokens ─▶ guard ─▶ parser ─▶ Node
//
// What documents of a shop have no use for is refused before the parser sees it: anchors, aliases, merge keys, tags, directives, "?" keys, a second document, control characters and
// bytes that are not UTF-8. So is what takes the lexer or the parser more than a moment: they take the square of the length of a line, of blank lines that follow each other and of
// the keys of one mapping, and the parser recurses into what is nested. A panic of the parser is one more way to say that a document is not valid YAML.
//
// Read stops at the first problem, since what comes after one of form means little, and says its line and column. What the document should have held instead only its reader
// knows, and says so in Options.
//
// A Node is what was written, and nothing is made of it: a number, a yes and a date are the text that stands there, and a key that stands twice is there twice.
package yamldoc
