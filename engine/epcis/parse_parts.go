package epcis

import (
	"bytes"
	"encoding/json"

	"github.com/go-faster/jx"
)

// location reads a readPoint or a bizLocation.
func (p *parser) location(d *jx.Decoder) *Location {
	l := &Location{}
	id := false
	ok := p.members(d, func(d *jx.Decoder, name []byte) {
		if string(name) == "id" {
			id = true
			l.ID = p.uri(d)
			return
		}
		p.extension(d, name, &l.Extensions, []string{"id"})
	})
	if !ok {
		return nil
	}
	if !id {
		p.add("id", "add the place as a URI", "it is missing")
	}
	return l
}

var transactionMembers = words("type", "bizTransaction")

func (p *parser) transactions(d *jx.Decoder) []BizTransaction {
	list := []BizTransaction{}
	ok := p.elements(d, func(d *jx.Decoder, _ int) {
		var t BizTransaction
		id := false
		ok := p.members(d, func(d *jx.Decoder, name []byte) {
			switch string(name) {
			case "type":
				t.Type = p.word(d, transactionTypes, "type of business transaction")
			case "bizTransaction":
				id = true
				t.ID = p.uri(d)
			default:
				p.refuse(d, name, transactionMembers)
			}
		})
		if ok && !id {
			p.add("bizTransaction", "add the document as a URI", "it is missing")
		}
		list = append(list, t)
	})
	if !ok {
		return nil
	}
	return list
}

// parties reads a sourceList or a destinationList; what is "source" or "destination".
func (p *parser) parties(d *jx.Decoder, what string) []Party {
	list := []Party{}
	ok := p.elements(d, func(d *jx.Decoder, _ int) {
		var t Party
		var id, typed bool
		ok := p.members(d, func(d *jx.Decoder, name []byte) {
			switch string(name) {
			case "type":
				typed = true
				t.Type = p.word(d, partyTypes, "type of "+what)
			case what:
				id = true
				t.ID = p.uri(d)
			default:
				p.refuse(d, name, words("type", what))
			}
		})
		if ok && !typed {
			p.add("type", "use one of owning_party, possessing_party, location", "it is missing")
		}
		if ok && !id {
			p.add(what, "add the party or place as a URI", "it is missing")
		}
		list = append(list, t)
	})
	if !ok {
		return nil
	}
	return list
}

var persistentMembers = words("set", "unset")

func (p *parser) persistent(d *jx.Decoder) *PersistentDisposition {
	v := &PersistentDisposition{}
	ok := p.members(d, func(d *jx.Decoder, name []byte) {
		switch string(name) {
		case "set":
			v.Set = p.words(d, dispositions, "disposition")
		case "unset":
			v.Unset = p.words(d, dispositions, "disposition")
		default:
			p.refuse(d, name, persistentMembers)
		}
	})
	if !ok {
		return nil
	}
	if v.Set == nil && v.Unset == nil {
		p.add("", `add "set" or "unset"`, "it says nothing")
	}
	return v
}

func (p *parser) errorDeclaration(d *jx.Decoder) *ErrorDeclaration {
	v := &ErrorDeclaration{}
	when := false
	ok := p.members(d, func(d *jx.Decoder, name []byte) {
		switch string(name) {
		case "declarationTime":
			when = true
			v.Time, _ = p.time(d)
		case "reason":
			v.Reason = p.word(d, errorReasons, "reason of an error")
		case "correctiveEventIDs":
			v.Corrective = p.uris(d, false)
		default:
			p.extension(d, name, &v.Extensions, []string{"declarationTime", "reason", "correctiveEventIDs"})
		}
	})
	if !ok {
		return nil
	}
	if !when {
		p.add("declarationTime", "add when the error was found", "it is missing")
	}
	return v
}

// ilmd keeps the master data as it came.
func (p *parser) ilmd(d *jx.Decoder) json.RawMessage {
	if d.Next() != jx.Object {
		p.wrongKind(d, "an object")
		return nil
	}
	raw := p.raw(d)
	p.members(jx.DecodeBytes(raw), func(d *jx.Decoder, name []byte) { p.extension(d, name, nil, nil) })
	return raw
}

// The members of sensor elements, in the order that the hash id takes them in. Source: the EPCIS
// 2.0 JSON Schema; the order from the canonical property order of the hash id, which does not name
// bizRules of a report.
var (
	sensorMetadata = []string{"time", "startTime", "endTime", "deviceID", "deviceMetadata", "rawData", "dataProcessingMethod", "bizRules"}
	sensorReport   = []string{"type", "exception", "deviceID", "deviceMetadata", "rawData", "dataProcessingMethod",
		"bizRules", "time", "microorganism",
		"chemicalSubstance", "value", "component", "stringValue", "booleanValue", "hexBinaryValue", "uriValue",
		"minValue", "maxValue", "meanValue",
		"sDev", "percRank", "percValue", "uom", "coordinateReferenceSystem"}
	sensorMembers = []string{"sensorMetadata", "sensorReport"}
)

// sensors keeps sensor data as it came, once its shape is checked: nothing here works with it.
func (p *parser) sensors(d *jx.Decoder) json.RawMessage {
	if d.Next() != jx.Array {
		p.wrongKind(d, "an array")
		return nil
	}
	raw := p.raw(d)
	p.elements(jx.DecodeBytes(raw), func(d *jx.Decoder, _ int) {
		reports := false
		ok := p.members(d, func(d *jx.Decoder, name []byte) {
			switch string(name) {
			case "sensorMetadata":
				p.sensorObject(d, sensorMetadata)
			case "sensorReport":
				reports = true
				n := 0
				ok := p.elements(d, func(d *jx.Decoder, i int) {
					n++
					if typed := p.sensorObject(d, sensorReport); !typed {
						p.add("type", "say what was measured, as Temperature", "it is missing")
					}
				})
				if ok && n == 0 {
					p.add("", "add a report, or leave the sensor element out", "the list is empty")
				}
			default:
				p.extension(d, name, nil, sensorMembers)
			}
		})
		if ok && !reports {
			p.add("sensorReport", "add what the sensor reported", "it is missing")
		}
	})
	return raw
}

// sensorObject checks the names and the times of metadata or a report. It reports whether there is
// a type, or no object to have one.
func (p *parser) sensorObject(d *jx.Decoder, known []string) (typed bool) {
	ok := p.members(d, func(d *jx.Decoder, name []byte) {
		switch {
		case string(name) == "type":
			typed = true
			if bytes.Equal(name, []byte(known[0])) {
				p.text(d)
				return
			}
			p.extension(d, name, nil, known)
		case bytes.HasSuffix(name, []byte("ime")) && has(known, name):
			p.time(d)
		case has(known, name):
			p.stop(d.Skip())
		default:
			p.extension(d, name, nil, known)
		}
	})
	return typed || !ok
}

func has(list []string, name []byte) bool {
	for _, s := range list {
		if s == string(name) {
			return true
		}
	}
	return false
}
