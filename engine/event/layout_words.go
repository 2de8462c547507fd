package event

// ZoneKind is what a zone is for.
type ZoneKind uint8

// The kinds of zones; ZoneKinds says what each means. ZoneKindNone is the kind of no zone.
const (
	ZoneKindNone ZoneKind = 0
	Shelf        ZoneKind = 1
	Floor        ZoneKind = 2
	Stockroom    ZoneKind = 3
	Fitting      ZoneKind = 4
	Checkout     ZoneKind = 5
	Receiving    ZoneKind = 6
	Exit         ZoneKind = 7
	Other        ZoneKind = 8
)

// ZoneKinds are the values of ZoneKind, with their texts and meanings.
var ZoneKinds = numbered[ZoneKind]("zone kind", []Word{
	Shelf:     {"shelf", "goods to choose from, on shelves or racks"},
	Floor:     {"floor", "open sales area: tables, displays, aisles"},
	Stockroom: {"stockroom", "goods that are not on sale yet"},
	Fitting:   {"fitting", "where goods are tried"},
	Checkout:  {"checkout", "tills"},
	Receiving: {"receiving", "where goods come in"},
	Exit:      {"exit", "a way out of the shop"},
	Other:     {"other", "anything else: a café, an office"},
})

// String returns the text of z.
func (z ZoneKind) String() string { return ZoneKinds.Text(z) }

// MarshalText returns the text of z.
func (z ZoneKind) MarshalText() ([]byte, error) { return []byte(z.String()), nil }

// UnmarshalText sets z to the value with this text; the error names the texts that there are.
func (z *ZoneKind) UnmarshalText(b []byte) error { return ZoneKinds.unmarshal(b, z) }

// Role is how a read point is used.
type Role uint8

// The roles of read points; Roles says what each means. RoleNone is the role of no read point.
const (
	RoleNone Role = 0
	Fixed    Role = 1
	Portal   Role = 2
	Handheld Role = 3
	Desk     Role = 4
)

// Roles are the values of Role, with their texts and meanings.
var Roles = numbered[Role]("role", []Word{
	Fixed:    {"fixed", "always on, sees the goods that stand in its zone"},
	Portal:   {"portal", "a door or passage through which people carry goods"},
	Handheld: {"handheld", "carried by a person, who says which zone they are in"},
	Desk:     {"desk", "short range, at a till or a receiving bench"},
})

// String returns the text of r.
func (r Role) String() string { return Roles.Text(r) }

// MarshalText returns the text of r.
func (r Role) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

// UnmarshalText sets r to the value with this text; the error names the texts that there are.
func (r *Role) UnmarshalText(b []byte) error { return Roles.unmarshal(b, r) }

// Side is the side of a portal that an antenna looks at, as seen from the shop.
type Side uint8

// The sides; Sides says what each means. SideNone: not a portal, or one antenna sees both sides, so
// that no direction can be known.
const (
	SideNone Side = 0
	Inner    Side = 1
	Outer    Side = 2
)

// Sides are the values of Side, with their texts and meanings.
var Sides = numbered[Side]("side", []Word{
	Inner: {"inner", "the side of the sales area"},
	Outer: {"outer", "the far side: the street, the yard, the stockroom"},
})

// String returns the text of s.
func (s Side) String() string { return Sides.Text(s) }

// MarshalText returns the text of s.
func (s Side) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText sets s to the value with this text; the error names the texts that there are.
func (s *Side) UnmarshalText(b []byte) error { return Sides.unmarshal(b, s) }
