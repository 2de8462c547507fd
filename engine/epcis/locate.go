package epcis

import (
	"fmt"
	"strings"

	"lintel/engine/layout"
)

// Place is what the URI of a read point or a business location means in a shop. With neither a zone
// nor a read point it is the shop as a whole.
type Place struct {
	Site      string
	Zone      string // the zone; of a read point the one that it sees, "" for a handheld that has none of its own
	ReadPoint string
}

// Locator says what the URI of a place means; false: it is none of the shop's. A Locator that also
// has the method Reference turns the URI of a business document back into the shop's own number.
type Locator interface {
	Locate(uri string) (Place, bool)
}

// referencer is what a Locator may be besides.
type referencer interface {
	Reference(uri string) (ref string, ok bool)
}

// LocationURI returns the URI of a zone of a site, base/sites/{site}/zones/{zone}; of the site as a
// whole where zone is "". Base is an http or https URL without a slash at its end.
func LocationURI(base, site, zone string) string {
	if zone == "" {
		return base + "/sites/" + site
	}
	return base + "/sites/" + site + "/zones/" + zone
}

// ReadPointURI returns the URI of a read point of a site, base/sites/{site}/read-points/{id}.
func ReadPointURI(base, site, id string) string {
	return base + "/sites/" + site + "/read-points/" + id
}

// DocumentURI returns the URI of a business document: ref itself if it is a URI, else
// base/sites/{site}/documents/{ref}.
func DocumentURI(base, site, ref string) string {
	if validURI(ref) {
		return ref
	}
	return base + "/sites/" + site + "/documents/" + escapeSegment(ref)
}

// ParseLocationURI is the inverse of LocationURI and ReadPointURI. It does not know which sites,
// zones and read points there are.
func ParseLocationURI(base, uri string) (Place, bool) {
	rest, ok := strings.CutPrefix(uri, base+"/sites/")
	if !ok {
		return Place{}, false
	}
	part := strings.Split(rest, "/")
	for _, id := range part {
		if !layout.ValidID(id) {
			return Place{}, false
		}
	}
	switch {
	case len(part) == 1:
		return Place{Site: part[0]}, true
	case len(part) == 3 && part[1] == "zones":
		return Place{Site: part[0], Zone: part[2]}, true
	case len(part) == 3 && part[1] == "read-points":
		return Place{Site: part[0], ReadPoint: part[2]}, true
	}
	return Place{}, false
}

// ParseDocumentURI is the inverse of DocumentURI for documents that had no URI of their own.
func ParseDocumentURI(base, site, uri string) (ref string, ok bool) {
	rest, ok := strings.CutPrefix(uri, base+"/sites/"+site+"/documents/")
	if !ok {
		return "", false
	}
	return unescapeSegment(rest)
}

const upperHex = "0123456789ABCDEF"

func escapeSegment(s string) string {
	out := make([]byte, 0, len(s)+8)
	for i := range len(s) {
		if c := s[i]; isAlpha(c) || isDigit(c) || strings.IndexByte("-._~", c) >= 0 {
			out = append(out, c)
		} else {
			out = append(out, '%', upperHex[c>>4], upperHex[c&15])
		}
	}
	return string(out)
}

func unescapeSegment(s string) (string, bool) {
	out := make([]byte, 0, len(s))
	for i := 0; i < len(s); i++ {
		switch {
		case s[i] == '/':
			return "", false
		case s[i] != '%':
			out = append(out, s[i])
		case i+2 < len(s) && isHex(s[i+1]) && isHex(s[i+2]):
			out = append(out, nibble(s[i+1])<<4|nibble(s[i+2]))
			i += 2
		default:
			return "", false
		}
	}
	return string(out), len(out) > 0
}

func nibble(c byte) byte {
	if isDigit(c) {
		return c - '0'
	}
	return c | 0x20 - 'a' + 10
}

// Directory knows the places of one shop, by its own URIs and by others: SGLNs as URN or Digital
// Link, or whatever partners use. It is a Locator, and gives the URIs of what the shop writes. It
// is not changed after it is made.
type Directory struct {
	base    string
	lay     *layout.Layout
	aliases map[string]Place // by canonical URI
	zones   map[string]string
	points  map[string]string
	site    string
}

// NewDirectory returns the places of a layout. Base is the address of the service, as
// https://stock.example.com. Aliases are further URIs of zones, read points or the shop as a whole;
// their sites may be left out. What has an alias is written with it, with the first in the order of
// the alphabet where it has several.
func NewDirectory(base string, lay *layout.Layout, aliases map[string]Place) (*Directory, error) {
	if err := checkBase(base); err != nil {
		return nil, err
	}
	d := &Directory{base: base, lay: lay, aliases: make(map[string]Place, len(aliases)), zones: map[string]string{},
		points: map[string]string{}}
	first := func(m map[string]string, id, uri string) {
		if had, ok := m[id]; !ok || uri < had {
			m[id] = uri
		}
	}
	for uri, place := range aliases {
		if !validURI(uri) {
			return nil, fmt.Errorf("EPCIS: the alias %s is no URI; %s", shown(uri), uriHint(uri))
		}
		if place.Site != "" && place.Site != lay.Site {
			return nil, fmt.Errorf("EPCIS: the alias %s belongs to site %q, and this is site %q", shown(uri), place.Site, lay.Site)
		}
		place.Site = lay.Site
		switch {
		case place.ReadPoint != "":
			filled, ok := d.point(place.ReadPoint)
			if !ok {
				return nil, fmt.Errorf("EPCIS: the alias %s means read point %q, which the layout of %q does not have",
					shown(uri), place.ReadPoint, lay.Site)
			}
			place = filled
			first(d.points, place.ReadPoint, uri)
		case place.Zone != "":
			if _, ok := lay.ZoneIndex(place.Zone); !ok {
				return nil, fmt.Errorf("EPCIS: the alias %s means zone %q, which the layout of %q does not have",
					shown(uri), place.Zone, lay.Site)
			}
			first(d.zones, place.Zone, uri)
		default:
			if d.site == "" || uri < d.site {
				d.site = uri
			}
		}
		key := canonicalURI(uri)
		if had, ok := d.aliases[key]; ok && had != place {
			return nil, fmt.Errorf("EPCIS: the alias %s, or another spelling of it, means two places", shown(uri))
		}
		d.aliases[key] = place
	}
	return d, nil
}

// checkBase refuses an address that can't begin the URIs of places.
func checkBase(base string) error {
	rest, ok := strings.CutPrefix(base, "https://")
	if !ok {
		rest, ok = strings.CutPrefix(base, "http://")
	}
	if !ok || !validURI(base) || rest == "" || rest[0] == '/' || strings.HasSuffix(base, "/") || strings.ContainsAny(base, "?#") {
		return fmt.Errorf("EPCIS: %s is no base for URIs; write it as https://stock.example.com, without a slash at the end", shown(base))
	}
	return nil
}

func (d *Directory) point(id string) (Place, bool) {
	i, ok := d.lay.ReadPointIndex(id)
	if !ok {
		return Place{}, false
	}
	place := Place{Site: d.lay.Site, ReadPoint: id}
	if z := d.lay.ReadPoints[i].Zone; z >= 0 {
		place.Zone = d.lay.Zones[z].ID
	}
	return place, true
}

// Locate says what a URI means; the spelling of a GS1 identifier does not matter.
func (d *Directory) Locate(uri string) (Place, bool) {
	if place, ok := d.aliases[canonicalURI(uri)]; ok {
		return place, true
	}
	place, ok := ParseLocationURI(d.base, uri)
	if !ok || place.Site != d.lay.Site {
		return Place{}, false
	}
	if place.ReadPoint != "" {
		return d.point(place.ReadPoint)
	}
	if _, ok := d.lay.ZoneIndex(place.Zone); !ok && place.Zone != "" {
		return Place{}, false
	}
	return place, true
}

// Reference turns the URI of a document of this shop back into its number.
func (d *Directory) Reference(uri string) (string, bool) {
	return ParseDocumentURI(d.base, d.lay.Site, uri)
}

// ZoneURI returns the URI of a zone; of the shop where zone is "".
func (d *Directory) ZoneURI(zone string) string {
	if uri, ok := d.zones[zone]; ok {
		return uri
	}
	if zone == "" && d.site != "" {
		return d.site
	}
	return LocationURI(d.base, d.lay.Site, zone)
}

// PointURI returns the URI of a read point.
func (d *Directory) PointURI(id string) string {
	if uri, ok := d.points[id]; ok {
		return uri
	}
	return ReadPointURI(d.base, d.lay.Site, id)
}
