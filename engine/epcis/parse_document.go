package epcis

import (
	"bytes"
	"errors"
	"strings"

	"github.com/go-faster/jx"
)

var documentMembers = []string{"@context", "id", "type", "schemaVersion", "creationDate", "instanceIdentifier",
	"sender", "receiver", "epcisHeader", "epcisBody"}

// document reads the whole.
func (p *parser) document(d *jx.Decoder) {
	if d.Next() != jx.Object {
		p.wrongKind(d, "an object: an EPCISDocument, or one event")
		return
	}
	// What it is decides how it is read, and its type may come last.
	kind, context := p.peek()
	if p.fault != nil {
		return
	}
	switch kind {
	case TypeDocument, TypeQueryDocument:
		p.doc.Type = kind
		p.doc.Context = context
		p.documentMembers(d)
	default:
		// The only event of a document: it is refused as a whole, whatever Proceed says.
		p.event = 0
		ev := Event{}
		p.readEvent(d, &ev, nil)
		if ev.Context == nil && p.fault == nil && !p.reported("/@context") {
			p.add("@context", contextHint, "it is missing")
		}
		p.doc.Context, ev.Context = ev.Context, nil
		p.doc.Events = []Event{ev}
	}
}

const contextHint = `add "@context": ["` + DefaultContext + `"]`

// reported tells whether there already is a problem at this place.
func (p *parser) reported(pointer string) bool {
	for _, q := range p.list {
		if q.Pointer == pointer || strings.HasPrefix(q.Pointer, pointer+"/") {
			return true
		}
	}
	return false
}

// peek finds the type and the context of the whole, and reads no further than it must. Problems
// with the context are noted; others are found by who reads on.
func (p *parser) peek() (kind string, context *Context) {
	var raw jx.Raw
	typed := false
	err := jx.DecodeBytes(p.src).ObjBytes(func(v *jx.Decoder, key []byte) (err error) {
		switch {
		case string(key) == "type" && !typed:
			typed = true
			if v.Next() != jx.String {
				return v.Skip()
			}
			kind, err = v.Str()
		case string(key) == "@context" && raw == nil:
			raw, err = v.Raw()
		default:
			return v.Skip()
		}
		if err == nil && typed && raw != nil {
			return errStop
		}
		return err
	})
	if !errors.Is(err, errStop) {
		p.stop(err)
	}
	if raw != nil && (kind == TypeDocument || kind == TypeQueryDocument) {
		n := p.enter("@context")
		context = p.context(jx.DecodeBytes(raw))
		p.leave(n)
	}
	return kind, context
}

const (
	maxContexts = 100  // parts of an @context
	maxPrefixes = 1000 // of one @context
)

// context reads an @context: the address of one, an object of prefixes, or an array of both.
func (p *parser) context(d *jx.Decoder) *Context {
	src, err := d.Raw()
	if p.stop(err) {
		return nil
	}
	c := &Context{}
	v := jx.DecodeBytes(src)
	switch v.Next() {
	case jx.Array:
		var seen [][]byte
		p.elements(v, func(v *jx.Decoder, _ int) {
			item := p.raw(v)
			if len(seen) == maxContexts {
				p.limit = &LimitError{"parts of an @context", maxContexts}
				return
			}
			for _, other := range seen {
				if bytes.Equal(other, item) {
					p.add("", "keep one of them", "the context is there twice")
				}
			}
			seen = append(seen, item)
			p.contextPart(jx.DecodeBytes(item), c)
		})
	default:
		p.contextPart(v, c)
	}
	c.Raw = p.raw(jx.DecodeBytes(src))
	return c
}

func (p *parser) contextPart(d *jx.Decoder, c *Context) {
	switch d.Next() {
	case jx.String:
		p.uri(d)
	case jx.Object:
		p.members(d, func(d *jx.Decoder, name []byte) {
			uri := ""
			switch d.Next() {
			case jx.String:
				uri, _ = p.text(d)
			case jx.Object:
				p.stop(d.ObjBytes(func(d *jx.Decoder, key []byte) error {
					if string(key) == "@id" && d.Next() == jx.String {
						var err error
						uri, err = d.Str()
						return err
					}
					return d.Skip()
				}))
			default:
				p.stop(d.Skip())
			}
			if uri != "" && len(name) > 0 && name[0] != '@' && !bytes.ContainsRune(name, ':') {
				if c.Prefixes == nil {
					c.Prefixes = make(map[string]string)
				}
				if c.Prefixes[string(name)] = uri; len(c.Prefixes) > maxPrefixes {
					p.limit = &LimitError{"prefixes in an @context", maxPrefixes}
					clear(c.Prefixes)
				}
			}
		})
	default:
		p.wrongKind(d, "the address of a context, or an object that declares prefixes")
	}
}

// prefixes returns what is in force within the document, and in an event with a context of its own.
func prefixes(contexts ...*Context) map[string]string {
	var all map[string]string
	for _, c := range contexts {
		if c == nil || len(c.Prefixes) == 0 {
			continue
		}
		if all == nil {
			all = make(map[string]string, len(builtin)+len(c.Prefixes))
			for k, v := range builtin {
				all[k] = v
			}
		}
		for k, v := range c.Prefixes {
			all[k] = v
		}
	}
	return all
}

func (p *parser) documentMembers(d *jx.Decoder) {
	doc := p.doc
	query := doc.Type == TypeQueryDocument
	var has struct{ context, version, date, body bool }
	only := func(name []byte) {
		if query {
			p.add("", "leave it out", "a query document has no member %s", name)
		}
	}
	p.members(d, func(d *jx.Decoder, name []byte) {
		switch string(name) {
		case "@context":
			has.context = true
			p.stop(d.Skip())
		case "type":
			p.stop(d.Skip())
		case "id":
			doc.ID = p.uri(d)
		case "schemaVersion":
			has.version = true
			if s, ok := p.text(d); ok {
				doc.SchemaVersion = s
				if !validVersion(s) {
					p.add("", `write "2.0"`, "%s is no version of EPCIS that has a JSON form", shown(s))
				}
			}
		case "creationDate":
			has.date = true
			doc.CreationDate, _ = p.time(d)
		case "instanceIdentifier":
			only(name)
			doc.InstanceIdentifier, _ = p.text(d)
		case "sender":
			only(name)
			doc.Sender, _ = p.text(d)
		case "receiver":
			only(name)
			doc.Receiver, _ = p.text(d)
		case "epcisHeader":
			only(name)
			doc.Header = p.header(d)
		case "epcisBody":
			has.body = true
			if query {
				p.queryBody(d)
			} else {
				p.body(d)
			}
		default:
			p.extension(d, name, &doc.Extensions, documentMembers)
		}
	})
	if p.stop(nil) {
		return
	}
	if !has.context {
		p.add("@context", contextHint, "it is missing")
	}
	if !has.version && !query {
		p.add("schemaVersion", `add "schemaVersion": "2.0"`, "it is missing")
	}
	if !has.date && !query {
		p.add("creationDate", "add the time at which the document was made, as 2026-03-01T10:00:00Z", "it is missing")
	}
	if !has.body {
		p.add("epcisBody", `add "epcisBody": {"eventList": [...]}`, "it is missing")
	}
}

// validVersion reports whether s is a version number that begins with 2.
func validVersion(s string) bool {
	if s == "" || len(s) > 16 {
		return false
	}
	parts := strings.Split(s, ".")
	for _, part := range parts {
		if part == "" || strings.ContainsFunc(part, func(r rune) bool { return r < '0' || r > '9' }) {
			return false
		}
	}
	return parts[0] == "2"
}

// header keeps master data as it came: it is not read here.
func (p *parser) header(d *jx.Decoder) []byte {
	if d.Next() != jx.Object {
		p.wrongKind(d, "an object")
		return nil
	}
	raw := p.raw(d)
	p.members(jx.DecodeBytes(raw), func(d *jx.Decoder, name []byte) {
		if string(name) == "epcisMasterData" {
			p.stop(d.Skip())
			return
		}
		p.extension(d, name, nil, []string{"epcisMasterData"})
	})
	return raw
}

func (p *parser) body(d *jx.Decoder) {
	found := false
	ok := p.members(d, func(d *jx.Decoder, name []byte) {
		if string(name) == "eventList" {
			found = true
			p.eventList(d)
			return
		}
		p.extension(d, name, nil, []string{"eventList"})
	})
	if ok && !found {
		p.add("eventList", "add the array of events", "it is missing")
	}
}

func (p *parser) queryBody(d *jx.Decoder) {
	results := false
	ok := p.members(d, func(d *jx.Decoder, name []byte) {
		if string(name) != "queryResults" {
			p.extension(d, name, nil, []string{"queryResults"})
			return
		}
		results = true
		var query, body bool
		ok := p.members(d, func(d *jx.Decoder, name []byte) {
			switch string(name) {
			case "queryName":
				query = true
				p.doc.QueryName, _ = p.text(d)
			case "subscriptionID":
				p.doc.SubscriptionID, _ = p.text(d)
			case "resultsBody":
				body = true
				p.resultsBody(d)
			default:
				p.extension(d, name, nil, []string{"queryName", "subscriptionID", "resultsBody"})
			}
		})
		if ok && !query {
			p.add("queryName", "add the name of the query that was asked", "it is missing")
		}
		if ok && !body {
			p.add("resultsBody", `add "resultsBody": {"eventList": [...]}`, "it is missing")
		}
	})
	if ok && !results {
		p.add("queryResults", "add the results of the query", "it is missing")
	}
}

func (p *parser) resultsBody(d *jx.Decoder) {
	found := false
	ok := p.members(d, func(d *jx.Decoder, name []byte) {
		switch string(name) {
		case "eventList":
			found = true
			p.eventList(d)
		case "vocabularyList":
			if d.Next() != jx.Array {
				p.wrongKind(d, "an array")
				return
			}
			p.doc.Vocabularies = p.raw(d)
		default:
			p.extension(d, name, nil, []string{"eventList", "vocabularyList"})
		}
	})
	if ok && !found {
		p.add("eventList", "add the array of events", "it is missing")
	}
}

// eventList reads the events. The document's context is known by now.
func (p *parser) eventList(d *jx.Decoder) {
	p.doc.Events = []Event{}
	shared := prefixes(p.doc.Context)
	p.elements(d, func(d *jx.Decoder, i int) {
		if i == p.opt.MaxEvents {
			p.limit = &LimitError{"events", p.opt.MaxEvents}
			return
		}
		p.event = i
		before := len(p.list)
		p.doc.Events = append(p.doc.Events, Event{Index: i})
		ev := &p.doc.Events[len(p.doc.Events)-1]
		p.readEvent(d, ev, shared)
		p.event = -1
		if p.opt.Proceed && len(p.list) > before {
			p.doc.Events = p.doc.Events[:len(p.doc.Events)-1]
			found := p.list[before:]
			if len(p.doc.Refused) > 5*maxProblems {
				found = found[:1]
			}
			p.doc.Refused = append(p.doc.Refused, found...)
			p.list, p.more = p.list[:before], 0
		}
	})
}
