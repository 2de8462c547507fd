package sim

import (
	"math"
	"slices"
	"strconv"
	"time"

	"lintel/engine/event"
)

// Entries turns a message into the journal entries that the server makes of it, with Seq left 0.
// They share nothing with the step.
func Entries(step Step) []event.Entry {
	var list []event.Entry
	if len(step.Reads) > 0 {
		e := event.Entry{Kind: event.EntryReads, At: step.At, By: "simulator", Reads: make([]event.Read, len(step.Reads))}
		for i := range step.Reads {
			r := &step.Reads[i]
			e.Reads[i] = event.Read{Key: r.Key, Point: uint16(number(&e.Points, r.Point)),
				RSSI: int16(math.Round(r.RSSI * 10)), N: 1, T: r.Time}
			if r.Zone != "" {
				e.Reads[i].Zone = 1 + uint16(number(&e.Zones, r.Zone))
			}
		}
		list = append(list, e)
	}
	if len(step.Events) > 0 {
		e := event.Entry{Kind: event.EntryEvents, At: step.At, By: "simulator"}
		for _, ev := range step.Events {
			out := event.Event{Type: ev.Type, Zone: ev.Zone, T: ev.Time, Ref: ev.Ref}
			for _, k := range ev.Keys {
				out.Tags = append(out.Tags, event.Tag{Key: k})
			}
			e.Events = append(e.Events, out)
		}
		list = append(list, e)
	}
	return list
}

// number returns the place of a name in a short list, and adds it if it is new.
func number(names *[]string, name string) int {
	if n := len(*names); n > 0 && (*names)[n-1] == name {
		return n - 1
	}
	if i := slices.Index(*names, name); i >= 0 {
		return i
	}
	*names = append(*names, name)
	return len(*names) - 1
}

// AppendReads appends the JSON body of a POST to .../reads: an array of
// {"epc","read_point","zone","rssi","time"}, zone only where one was declared.
func AppendReads(b []byte, step Step) []byte {
	b = append(b, '[')
	for i := range step.Reads {
		r := &step.Reads[i]
		if i > 0 {
			b = append(b, ',')
		}
		// Hexadecimal digits and ids need no escaping.
		b = append(append(append(b, `{"epc":"`...), r.EPC...), `","read_point":"`...)
		b = append(b, r.Point...)
		if r.Zone != "" {
			b = append(append(b, `","zone":"`...), r.Zone...)
		}
		b = strconv.AppendFloat(append(b, `","rssi":`...), r.RSSI, 'f', -1, 64)
		b = append(appendTime(append(b, `,"time":"`...), r.Time), `"}`...)
	}
	return append(b, ']')
}

// AppendEvents appends the JSON body of a POST to .../events: an array of
// {"type","epcs","zone","time","ref"}.
func AppendEvents(b []byte, step Step) []byte {
	b = append(b, '[')
	for i := range step.Events {
		ev := &step.Events[i]
		if i > 0 {
			b = append(b, ',')
		}
		b = append(append(append(b, `{"type":"`...), ev.Type.String()...), `","epcs":[`...)
		for k, hex := range ev.EPCs {
			if k > 0 {
				b = append(b, ',')
			}
			b = append(append(append(b, '"'), hex...), '"')
		}
		b = append(append(append(b, `],"zone":"`...), ev.Zone...), `","time":"`...)
		b = append(append(append(appendTime(b, ev.Time), `","ref":"`...), ev.Ref...), `"}`...)
	}
	return append(b, ']')
}

func appendTime(b []byte, ms int64) []byte {
	return time.UnixMilli(ms).UTC().AppendFormat(b, "2006-01-02T15:04:05.000Z")
}
