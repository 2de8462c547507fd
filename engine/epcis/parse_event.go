package epcis

import (
	"encoding/json"
	"errors"
	"math/bits"
	"slices"

	"github.com/go-faster/jx"

	"lintel/rules/doc"
)

// Bits for the members of events.
const (
	mContext = 1 << iota
	mType
	mTime
	mRecordTime
	mOffset
	mID
	mCertification
	mError
	mAction
	mEPCs
	mQuantities
	mParent
	mChildren
	mChildQuantities
	mInputs
	mInputQuantities
	mOutputs
	mOutputQuantities
	mTransformation
	mBizStep
	mDisposition
	mPersistent
	mReadPoint
	mBizLocation
	mBizTransactions
	mSources
	mDestinations
	mSensors
	mILMD
)

// eventMembers are the names of the members, in the order of their bits.
var eventMembers = []string{"@context", "type", "eventTime", "recordTime", "eventTimeZoneOffset", "eventID",
	"certificationInfo", "errorDeclaration",
	"action", "epcList", "quantityList", "parentID", "childEPCs", "childQuantityList", "inputEPCList", "inputQuantityList", "outputEPCList",
	"outputQuantityList", "transformationID", "bizStep", "disposition", "persistentDisposition", "readPoint",
	"bizLocation", "bizTransactionList",
	"sourceList", "destinationList", "sensorElementList", "ilmd"}

const (
	mCommon   = mContext | mType | mTime | mRecordTime | mOffset | mID | mCertification | mError
	mBusiness = mBizStep | mDisposition | mReadPoint | mBizLocation | mBizTransactions | mSources | mDestinations | mSensors
	mFamily   = mCommon | mBusiness | mAction | mParent | mChildren | mChildQuantities
)

// memberOf says which members each type of event may have.
var memberOf = map[EventType]uint32{
	ObjectEvent:      mCommon | mBusiness | mAction | mEPCs | mQuantities | mPersistent | mILMD,
	AggregationEvent: mFamily,
	AssociationEvent: mFamily,
	TransactionEvent: mCommon | mBusiness | mAction | mParent | mEPCs | mQuantities,
	TransformationEvent: mCommon | mBusiness | mInputs | mInputQuantities | mOutputs | mOutputQuantities | mTransformation |
		mPersistent | mILMD,
}

// memberBit finds a member by its name, 0: none of the standard's.
func memberBit(name []byte) uint32 {
	bit, ok := memberBits[string(name)]
	if !ok {
		return 0
	}
	return bit
}

var memberBits = func() map[string]uint32 {
	m := make(map[string]uint32, len(eventMembers))
	for i, name := range eventMembers {
		m[name] = 1 << i
	}
	return m
}()

// readEvent reads an event into ev. Shared are the prefixes of the document.
func (p *parser) readEvent(d *jx.Decoder, ev *Event, shared map[string]string) {
	var has uint32
	own := false
	if d.Next() == jx.Object {
		own = p.ownType(d)
	}
	ok := p.members(d, func(d *jx.Decoder, name []byte) {
		bit := memberBit(name)
		if own && bit&mCommon == 0 { // an event type of one's own may have members of its own
			ev.Extensions = append(ev.Extensions, Member{Name: string(name), Value: p.raw(d)})
			return
		}
		has |= bit
		p.member(d, ev, bit, name)
	})
	if !ok || p.stop(nil) {
		return
	}
	ev.prefixes = shared
	if ev.Context != nil {
		ev.prefixes = prefixes(p.doc.Context, ev.Context)
	}
	p.judge(ev, has)
}

// ownType tells whether the type of the event is none of the standard's but a URI. The type may
// stand behind the members that it allows.
func (p *parser) ownType(d *jx.Decoder) bool {
	own := false
	p.stop(d.Capture(func(d *jx.Decoder) error {
		err := d.ObjBytes(func(d *jx.Decoder, key []byte) error {
			if string(key) != "type" || d.Next() != jx.String {
				return d.Skip()
			}
			s, err := d.StrBytes()
			if err != nil {
				return err
			}
			own = !eventTypes.has[string(s)] && validURI(string(s))
			return errStop
		})
		if errors.Is(err, errStop) {
			err = nil
		}
		return err
	}))
	return own
}

// member reads the value of one member.
func (p *parser) member(d *jx.Decoder, ev *Event, bit uint32, name []byte) {
	switch bit {
	case mContext:
		ev.Context = p.context(d)
	case mType:
		s, ok := p.text(d)
		if ev.Type = EventType(s); ok && !eventTypes.has[s] && !validURI(s) {
			p.add("", doc.OneOf(s, eventTypes.list), "there is no event type %s", shown(s))
		}
	case mTime:
		ev.Time, ev.At = p.time(d)
	case mRecordTime:
		ev.RecordTime, _ = p.time(d)
	case mOffset:
		s, ok := p.text(d)
		if ev.Offset = s; ok && !validOffset(s) {
			p.add("", "write the offset from UTC as +hh:mm or -hh:mm, at most 14:00", "%s is no time zone offset", shown(s))
		}
	case mID:
		ev.ID = p.uri(d)
	case mCertification:
		if d.Next() == jx.String {
			ev.Certification = []string{p.uri(d)}
		} else {
			ev.Certification = p.uris(d, false)
		}
	case mError:
		ev.Error = p.errorDeclaration(d)
	case mAction:
		s, ok := p.text(d)
		if ev.Action = Action(s); ok && !actions.has[s] {
			p.add("", doc.OneOf(s, actions.list), "there is no action %s", shown(s))
		}
	case mEPCs:
		ev.EPCs = p.uris(d, true)
	case mQuantities:
		ev.Quantities = p.quantities(d)
	case mParent:
		ev.Parent = p.uri(d)
	case mChildren:
		ev.Children = p.uris(d, true)
	case mChildQuantities:
		ev.ChildQuantities = p.quantities(d)
	case mInputs:
		ev.Inputs = p.uris(d, true)
	case mInputQuantities:
		ev.InputQuantities = p.quantities(d)
	case mOutputs:
		ev.Outputs = p.uris(d, true)
	case mOutputQuantities:
		ev.OutputQuantities = p.quantities(d)
	case mTransformation:
		ev.Transformation = p.uri(d)
	case mBizStep:
		ev.BizStep = p.word(d, bizSteps, "business step")
	case mDisposition:
		ev.Disposition = p.word(d, dispositions, "disposition")
	case mPersistent:
		ev.Persistent = p.persistent(d)
	case mReadPoint:
		ev.ReadPoint = p.location(d)
	case mBizLocation:
		ev.BizLocation = p.location(d)
	case mBizTransactions:
		ev.BizTransactions = p.transactions(d)
	case mSources:
		ev.Sources = p.parties(d, "source")
	case mDestinations:
		ev.Destinations = p.parties(d, "destination")
	case mSensors:
		ev.Sensors = p.sensors(d)
	case mILMD:
		ev.ILMD = p.ilmd(d)
	default:
		p.extension(d, name, &ev.Extensions, eventMembers)
	}
}

// judge checks what the members of an event must be together.
func (p *parser) judge(ev *Event, has uint32) {
	need := func(bit uint32, hint string) {
		if has&bit == 0 {
			p.add(eventMembers[bits.TrailingZeros32(bit)], hint, "it is missing")
		}
	}
	need(mType, "say what kind of event it is, for example ObjectEvent")
	need(mTime, "add when it happened, as 2026-03-01T09:59:58.250Z")
	need(mOffset, "add the offset from UTC where it happened, as +00:00")
	allowed, known := memberOf[ev.Type]
	if !known {
		return
	}
	for wrong := has &^ allowed; wrong != 0; wrong &= wrong - 1 {
		p.add(eventMembers[bits.TrailingZeros32(wrong)], "leave it out, or use an event type that has it",
			"it does not belong in an event of type %s", ev.Type)
	}
	if allowed&mAction != 0 {
		need(mAction, "say ADD, OBSERVE or DELETE")
	}
	p.judgeWhat(ev, has)
}

// judgeWhat checks that the event names something.
func (p *parser) judgeWhat(ev *Event, has uint32) {
	epcs, quantities := has&mEPCs != 0, has&mQuantities != 0 && len(ev.Quantities) > 0
	children := len(ev.Children) > 0 || len(ev.ChildQuantities) > 0
	inputs, outputs := len(ev.Inputs) > 0 || len(ev.InputQuantities) > 0, len(ev.Outputs) > 0 || len(ev.OutputQuantities) > 0
	const naming = "add epcList (it may be empty) or quantityList"
	switch ev.Type {
	case ObjectEvent:
		sensors := has&mSensors != 0 && string(ev.Sensors) != "[]"
		switch {
		case epcs, quantities:
		case sensors && has&mReadPoint == 0:
			p.add("readPoint", "sensor data that names no item needs the place", "it is missing")
		case !sensors:
			p.add("epcList", naming+", or sensorElementList with a readPoint", "the event says nothing of what it is about")
		}
		if has&mILMD != 0 && ev.Action != Add && actions.has[string(ev.Action)] {
			p.add("ilmd", "master data of an instance goes with action ADD", "it does not belong in an event with action %s", ev.Action)
		}
	case AssociationEvent, AggregationEvent:
		if ev.Type == AssociationEvent && has&mParent == 0 {
			p.add("parentID", "say what the children are tied to", "it is missing")
		}
		if !children && ev.Action != Delete {
			p.add("childEPCs", "add childEPCs or childQuantityList; only action DELETE goes without, and means all",
				"the event names no children")
		}
	case TransactionEvent:
		if len(ev.BizTransactions) == 0 {
			p.add("bizTransactionList", "add the business document that it is about", "the event names no business transaction")
		}
		if !epcs && !quantities && ev.Action != Delete {
			p.add("epcList", naming, "the event says nothing of what it is about")
		}
	case TransformationEvent:
		const whole = "add inputEPCList or inputQuantityList and outputEPCList or outputQuantityList; with a " +
			"transformationID one of the four is enough"
		switch {
		case inputs && outputs, (inputs || outputs) && has&mTransformation != 0:
		case !inputs:
			p.add("inputEPCList", whole, "the event has no inputs")
		default:
			p.add("outputEPCList", whole, "the event has no outputs")
		}
	}
	p.unique("epcList", ev.EPCs, ev.Type == ObjectEvent)
	p.unique("inputEPCList", ev.Inputs, true)
	p.unique("outputEPCList", ev.Outputs, true)
}

// unique refuses identities that are there twice.
func (p *parser) unique(name string, list []string, must bool) {
	if !must || len(list) < 2 {
		return
	}
	n := p.enter(name)
	defer p.leave(n)
	twice := func(i, first int) {
		m := p.enterIndex(i)
		p.add("", "name each thing once", "%s is in the list already, at %d", shown(list[i]), first)
		p.leave(m)
	}
	if len(list) <= 8 {
		for i := range list {
			if first := slices.Index(list[:i], list[i]); first >= 0 {
				twice(i, first)
			}
		}
		return
	}
	seen := make(map[string]int, len(list))
	for i, s := range list {
		if first, ok := seen[s]; ok {
			twice(i, first)
		} else {
			seen[s] = i
		}
	}
}

// uris reads a list of URIs; identities count against the limit.
func (p *parser) uris(d *jx.Decoder, identities bool) []string {
	list := []string{}
	ok := p.elements(d, func(d *jx.Decoder, _ int) {
		if identities {
			if p.ids++; p.ids > p.opt.MaxIdentities {
				p.limit = &LimitError{"identities", p.opt.MaxIdentities}
				return
			}
		}
		list = append(list, p.uri(d))
	})
	if !ok {
		return nil
	}
	return list
}

// words reads a list of different words.
func (p *parser) words(d *jx.Decoder, v vocabulary, what string) []string {
	list := []string{}
	ok := p.elements(d, func(d *jx.Decoder, _ int) {
		s := p.word(d, v, what)
		if slices.Contains(list, s) {
			p.add("", "name each once", "%s is in the list already", shown(s))
		}
		list = append(list, s)
		if len(list) > 1000 {
			p.limit = &LimitError{"words in a list", 1000}
		}
	})
	if !ok {
		return nil
	}
	if len(list) == 0 {
		p.add("", "leave it out where there is nothing to say", "the list is empty")
	}
	return list
}

// refuse notes a member that an object may not have, with a prefix or without.
func (p *parser) refuse(d *jx.Decoder, name []byte, v vocabulary) {
	p.add("", doc.OneOf(cut(string(name), 64), v.list), "there is no such member here, and none of one's own is allowed")
	p.stop(d.Skip())
}

var quantityMembers = words("epcClass", "quantity", "uom")

func (p *parser) quantities(d *jx.Decoder) []Quantity {
	list := []Quantity{}
	ok := p.elements(d, func(d *jx.Decoder, _ int) {
		var q Quantity
		class := false
		ok := p.members(d, func(d *jx.Decoder, name []byte) {
			switch string(name) {
			case "epcClass":
				class = true
				q.Class = p.uri(d)
			case "quantity":
				if d.Next() != jx.Number {
					p.wrongKind(d, "a number")
					return
				}
				n, err := d.Num()
				p.stop(err)
				q.Amount = json.Number(n)
			case "uom":
				s, ok := p.text(d)
				if q.Unit = s; ok && !validUnit(s) {
					p.add("", "use a code of UN/ECE Recommendation 20, as KGM; leave it out for pieces", "%s is no unit", shown(s))
				}
			default:
				p.refuse(d, name, quantityMembers)
			}
		})
		if ok && !class {
			p.add("epcClass", "say what is counted, as https://id.gs1.org/01/09521141123454", "it is missing")
		}
		list = append(list, q)
	})
	if !ok {
		return nil
	}
	return list
}
