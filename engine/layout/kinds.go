package layout

import (
	"fmt"

	"lintel/engine/event"
	"lintel/rules/doc"
)

// Kind says what a zone is for.
type Kind uint8

// The kinds of zones. KindNone is the zero value, and no zone of a parsed layout has it.
const (
	KindNone  event.ZoneKind = iota
	Shelf                    // goods to choose from, on shelves or racks
	Floor                    // open sales floor: tables, displays, aisles
	Stockroom                // goods not on sale yet
	Fitting                  // where goods are tried
	Checkout                 // tills
	Receiving                // where goods come in
	Exit                     // a way out of the shop
	Other                    // anything else: a café, an office
)

var kindNames = []string{"", "shelf", "floor", "stockroom", "fitting", "checkout", "receiving", "exit", "other"}

// KindNames returns the names of all kinds, in their order, without KindNone.
func KindNames() []string { return append([]string(nil), kindNames[1:]...) }

// String returns the kind's name as it stands in JSON; it is empty for KindNone.
func (k event.ZoneKind) String() string { return nameOf("kind", kindNames, uint8(k)) }

// ParseKind returns the kind of that name. The empty name is not a kind.
func ParseKind(name string) (event.ZoneKind, error) {
	return parseName[event.ZoneKind]("kind", kindNames, name)
}

// MarshalText writes the kind's name.
func (k event.ZoneKind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// UnmarshalText reads a kind's name; the empty text is KindNone.
func (k *event.ZoneKind) UnmarshalText(b []byte) error { return unmarshalName("kind", kindNames, b, k) }

// Role says how a read point is used.
type Role uint8

// The roles of read points. RoleNone is the zero value, and no read point of a parsed layout has it.
const (
	RoleNone event.Role = iota
	Fixed               // always on, sees the goods that stand in its zone
	Portal              // a door or passage through which people carry goods
	Handheld            // carried by a person, who says which zone they are in
	Desk                // short range, at a till or a receiving bench
)

var roleNames = []string{"", "fixed", "portal", "handheld", "desk"}

// RoleNames returns the names of all roles, in their order, without RoleNone.
func RoleNames() []string { return append([]string(nil), roleNames[1:]...) }

// String returns the role's name as it stands in JSON; it is empty for RoleNone.
func (r event.Role) String() string { return nameOf("role", roleNames, uint8(r)) }

// ParseRole returns the role of that name. The empty name is not a role.
func ParseRole(name string) (event.Role, error) {
	return parseName[event.Role]("role", roleNames, name)
}

// MarshalText writes the role's name.
func (r event.Role) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

// UnmarshalText reads a role's name; the empty text is RoleNone.
func (r *event.Role) UnmarshalText(b []byte) error { return unmarshalName("role", roleNames, b, r) }

// Side is the side of a portal that an antenna looks at.
type Side uint8

// The sides of a portal, as seen from the shop.
const (
	SideNone event.Side = iota // not a portal, or one antenna sees both sides: no direction can be told
	Inner                      // the sales-floor side
	Outer                      // the far side: the street, the yard, the stockroom
)

var sideNames = []string{"", "inner", "outer"}

// SideNames returns the names of the sides, in their order, without SideNone.
func SideNames() []string { return append([]string(nil), sideNames[1:]...) }

// String returns the side's name as it stands in JSON; it is empty for SideNone.
func (s event.Side) String() string { return nameOf("side", sideNames, uint8(s)) }

// ParseSide returns the side of that name. The empty name is not a side.
func ParseSide(name string) (event.Side, error) {
	return parseName[event.Side]("side", sideNames, name)
}

// MarshalText writes the side's name.
func (s event.Side) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads a side's name; the empty text is SideNone.
func (s *event.Side) UnmarshalText(b []byte) error { return unmarshalName("side", sideNames, b, s) }

func nameOf(what string, names []string, i uint8) string {
	if int(i) < len(names) {
		return names[i]
	}
	return fmt.Sprintf("%s %d", what, i)
}

func parseName[T ~uint8](what string, names []string, name string) (T, error) {
	for i := 1; i < len(names); i++ {
		if names[i] == name {
			return T(i), nil
		}
	}
	return 0, fmt.Errorf("%q is not a %s%s", name, what, doc.OrDidYouMean(name, names[1:]))
}

func unmarshalName[T ~uint8](what string, names []string, b []byte, to *T) (err error) {
	if len(b) == 0 {
		*to = 0
		return nil
	}
	*to, err = parseName[T](what, names, string(b))
	return err
}
