package epcis

import (
	"iter"
	"lintel/engine/event"

	"github.com/go-faster/jx"
)

// FromFacts turns facts into a document. For many facts use WriteFacts, which keeps none of them.
func FromFacts(facts iter.Seq2[*event.Fact, error], opt ExportOptions) (*Document, Summary, error) {
	x, err := NewExporter(opt)
	if err != nil {
		return nil, Summary{}, err
	}
	doc := x.Head()
	doc.Events = []Event{}
	sum, err := x.each(facts, func(ev *Event) error {
		ev.Index = len(doc.Events)
		doc.Events = append(doc.Events, *ev)
		return nil
	})
	return &doc, sum, err
}

// PreHash returns the canonical text of an event that EventID hashes.
func PreHash(ev *Event) string { return string(appendPreHash(nil, ev)) }

// AppendDocument appends the document as JSON, without blanks. Parse reads it back to an equal
// document.
func AppendDocument(b []byte, doc *Document) []byte {
	w := jx.Writer{Buf: b}
	if doc.Type == "" {
		if len(doc.Events) > 0 {
			ev := doc.Events[0]
			ev.Context = doc.Context
			appendEvent(&w, &ev)
		}
		return w.Buf
	}
	appendHead(&w, doc)
	for i := range doc.Events {
		if i > 0 {
			w.Comma()
		}
		appendEvent(&w, &doc.Events[i])
	}
	appendTail(&w, doc)
	return w.Buf
}
