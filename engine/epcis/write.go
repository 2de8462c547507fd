package epcis

import (
	"encoding/json"
	"fmt"
	"io"

	"github.com/go-faster/jx"
)

// AppendEvent appends one event as an element of a document's eventList.
func AppendEvent(b []byte, ev *Event) []byte {
	w := jx.Writer{Buf: b}
	appendEvent(&w, ev)
	return w.Buf
}

// object writes the members of one object: jx leaves the commas to its caller.
type object struct {
	w    *jx.Writer
	more bool
}

func begin(w *jx.Writer) object {
	w.ObjStart()
	return object{w: w}
}

func (o *object) name(name string) {
	if o.more {
		o.w.Comma()
	}
	o.more = true
	o.w.FieldStart(name)
}

// always writes a text, opt one that is there.
func (o *object) always(name, v string) {
	o.name(name)
	o.w.Str(v)
}

func (o *object) opt(name, v string) {
	if v != "" {
		o.always(name, v)
	}
}

func (o *object) raw(name string, v json.RawMessage) {
	if v != nil {
		o.name(name)
		o.w.Raw(v)
	}
}

func (o *object) extensions(list []Member) {
	for _, m := range list {
		o.raw(m.Name, m.Value)
	}
}

func (o *object) texts(name string, list []string) {
	if list == nil {
		return
	}
	o.name(name)
	array(o.w, list, func(s string) { o.w.Str(s) })
}

func array[T any](w *jx.Writer, list []T, each func(T)) {
	w.ArrStart()
	for i, v := range list {
		if i > 0 {
			w.Comma()
		}
		each(v)
	}
	w.ArrEnd()
}

// appendHead writes everything up to the first event.
func appendHead(w *jx.Writer, doc *Document) {
	o := begin(w)
	if doc.Context != nil {
		o.raw("@context", doc.Context.Raw)
	}
	o.opt("id", doc.ID)
	o.always("type", doc.Type)
	o.opt("schemaVersion", doc.SchemaVersion)
	o.opt("creationDate", doc.CreationDate)
	o.opt("instanceIdentifier", doc.InstanceIdentifier)
	o.opt("sender", doc.Sender)
	o.opt("receiver", doc.Receiver)
	o.raw("epcisHeader", doc.Header)
	o.extensions(doc.Extensions)
	o.name("epcisBody")
	w.ObjStart()
	if doc.Type == TypeQueryDocument {
		w.FieldStart("queryResults")
		results := begin(w)
		results.always("queryName", doc.QueryName)
		results.opt("subscriptionID", doc.SubscriptionID)
		results.name("resultsBody")
		body := begin(w)
		body.raw("vocabularyList", doc.Vocabularies)
		body.name("eventList")
	} else {
		w.FieldStart("eventList")
	}
	w.ArrStart()
}

// appendTail closes what appendHead opened.
func appendTail(w *jx.Writer, doc *Document) {
	w.ArrEnd()
	closing := 2 // the body and the whole
	if doc.Type == TypeQueryDocument {
		closing += 2
	}
	for range closing {
		w.ObjEnd()
	}
}

func appendEvent(w *jx.Writer, ev *Event) {
	o := begin(w)
	if ev.Context != nil {
		o.raw("@context", ev.Context.Raw)
	}
	o.always("type", string(ev.Type))
	o.opt("eventID", ev.ID)
	o.always("eventTime", ev.Time)
	o.always("eventTimeZoneOffset", ev.Offset)
	o.opt("recordTime", ev.RecordTime)
	if len(ev.Certification) == 1 {
		o.always("certificationInfo", ev.Certification[0])
	} else {
		o.texts("certificationInfo", ev.Certification)
	}
	if e := ev.Error; e != nil {
		o.name("errorDeclaration")
		in := begin(w)
		in.always("declarationTime", e.Time)
		in.opt("reason", e.Reason)
		in.texts("correctiveEventIDs", e.Corrective)
		in.extensions(e.Extensions)
		w.ObjEnd()
	}
	o.opt("action", string(ev.Action))
	o.opt("bizStep", ev.BizStep)
	o.opt("disposition", ev.Disposition)
	if v := ev.Persistent; v != nil {
		o.name("persistentDisposition")
		in := begin(w)
		in.texts("set", v.Set)
		in.texts("unset", v.Unset)
		w.ObjEnd()
	}
	o.opt("parentID", ev.Parent)
	o.texts("epcList", ev.EPCs)
	o.quantities("quantityList", ev.Quantities)
	o.texts("childEPCs", ev.Children)
	o.quantities("childQuantityList", ev.ChildQuantities)
	o.texts("inputEPCList", ev.Inputs)
	o.quantities("inputQuantityList", ev.InputQuantities)
	o.texts("outputEPCList", ev.Outputs)
	o.quantities("outputQuantityList", ev.OutputQuantities)
	o.opt("transformationID", ev.Transformation)
	o.location("readPoint", ev.ReadPoint)
	o.location("bizLocation", ev.BizLocation)
	if ev.BizTransactions != nil {
		o.name("bizTransactionList")
		array(w, ev.BizTransactions, func(t BizTransaction) {
			in := begin(w)
			in.opt("type", t.Type)
			in.always("bizTransaction", t.ID)
			w.ObjEnd()
		})
	}
	o.parties("sourceList", "source", ev.Sources)
	o.parties("destinationList", "destination", ev.Destinations)
	o.raw("sensorElementList", ev.Sensors)
	o.raw("ilmd", ev.ILMD)
	o.extensions(ev.Extensions)
	w.ObjEnd()
}

func (o *object) location(name string, l *Location) {
	if l == nil {
		return
	}
	o.name(name)
	in := begin(o.w)
	in.always("id", l.ID)
	in.extensions(l.Extensions)
	o.w.ObjEnd()
}

func (o *object) quantities(name string, list []Quantity) {
	if list == nil {
		return
	}
	o.name(name)
	array(o.w, list, func(q Quantity) {
		in := begin(o.w)
		in.always("epcClass", q.Class)
		if q.Amount != "" {
			in.name("quantity")
			o.w.RawStr(string(q.Amount))
		}
		in.opt("uom", q.Unit)
		o.w.ObjEnd()
	})
}

func (o *object) parties(name, what string, list []Party) {
	if list == nil {
		return
	}
	o.name(name)
	array(o.w, list, func(t Party) {
		in := begin(o.w)
		in.always("type", t.Type)
		in.always(what, t.ID)
		o.w.ObjEnd()
	})
}

// Writer writes a document event by event, so that a long one is never in memory as a whole. Begin,
// then Event for each, then Close; an error of the underlying writer is returned by every later
// call.
type Writer struct {
	w     io.Writer
	doc   Document
	buf   []byte
	begun bool
	any   bool
	err   error
}

const writeChunk = 32 << 10

// NewWriter returns a Writer of a document with the head of doc; its events are not written. A
// document without a type becomes an EPCISDocument of version 2.0 with the context of the standard;
// the creation date is the caller's to give.
func NewWriter(w io.Writer, doc Document) *Writer {
	if doc.Type == "" {
		doc.Type = TypeDocument
	}
	if doc.SchemaVersion == "" {
		doc.SchemaVersion = "2.0"
	}
	if doc.Context == nil {
		doc.Context = NewContext(nil)
	}
	doc.Events = nil
	return &Writer{w: w, doc: doc}
}

// NewContext returns the context of EPCIS 2.0, with further prefixes.
func NewContext(more map[string]string) *Context {
	list := []any{DefaultContext}
	if len(more) > 0 {
		list = append(list, more)
	}
	raw, err := json.Marshal(list) // which sorts the prefixes
	if err != nil {
		panic(fmt.Sprintf("epcis: texts do not marshal: %v", err))
	}
	return &Context{Raw: raw, Prefixes: more}
}

func (w *Writer) start() {
	if !w.begun {
		w.begun = true
		jw := jx.Writer{Buf: w.buf}
		appendHead(&jw, &w.doc)
		w.buf = jw.Buf
	}
}

// Event writes one event.
func (w *Writer) Event(ev *Event) error {
	if w.err != nil {
		return w.err
	}
	w.start()
	if w.any {
		w.buf = append(w.buf, ",\n"...)
	}
	w.any = true
	w.buf = AppendEvent(w.buf, ev)
	if len(w.buf) >= writeChunk {
		return w.flush()
	}
	return nil
}

// Close ends the document. It does not close the underlying writer.
func (w *Writer) Close() error {
	if w.err != nil {
		return w.err
	}
	w.start()
	jw := jx.Writer{Buf: w.buf}
	appendTail(&jw, &w.doc)
	w.buf = append(jw.Buf, '\n')
	return w.flush()
}

func (w *Writer) flush() error {
	_, w.err = w.w.Write(w.buf)
	w.buf = w.buf[:0]
	return w.err
}
