package kit

import (
	"mime"
	"strings"
)

// Accepts chooses among the media types that a route offers by the Accept header; the first one if
// it does not matter. The parameter "format" wins, so that a link can ask too. q values only matter
// as 0: whoever sends several is content with any.
func (c *Call) Accepts(offers ...string) (string, error) {
	if f := c.QueryParam("format"); f != "" {
		for _, o := range offers {
			if _, sub, _ := strings.Cut(o, "/"); sub == f {
				return o, nil
			}
		}
		return "", Problemf(CodeNotAcceptable, "There is no form %q; it can be %s.", f, strings.Join(offers, " or "))
	}
	accept := strings.Join(c.Request().Header.Values("Accept"), ",")
	if accept == "" {
		return offers[0], nil
	}
	for part := range strings.SplitSeq(accept, ",") {
		media, params, _ := strings.Cut(part, ";")
		media = strings.ToLower(strings.TrimSpace(media))
		if q := strings.ReplaceAll(params, " ", ""); q == "q=0" || strings.HasPrefix(q, "q=0.0") && strings.Trim(q[3:], "0.") == "" {
			continue
		}
		for _, o := range offers {
			kind, _, _ := strings.Cut(o, "/")
			if media == o || media == "*/*" || media == kind+"/*" {
				return o, nil
			}
		}
	}
	return "", Problemf(CodeNotAcceptable, "The answer can be %s.", strings.Join(offers, " or ")).With("offers", offers)
}

// mediaType returns the body's media type in lower case, without parameters; "" if none is given.
func (c *Call) mediaType() (string, error) {
	value := c.Request().Header.Get("Content-Type")
	if value == "" {
		return "", nil
	}
	media, _, err := mime.ParseMediaType(value)
	if err != nil {
		return "", Problemf(CodeUnsupportedType, "The Content-Type %s is malformed.", Shown([]byte(value)))
	}
	return media, nil
}

// WantType checks that the body is of one of the types, the first of which holds where none is
// given.
func (c *Call) WantType(types ...string) (string, error) {
	media, err := c.mediaType()
	if err != nil || media == "" {
		return types[0], err
	}
	for _, t := range types {
		if media == t {
			return t, nil
		}
	}
	return "", Problemf(CodeUnsupportedType, "The Content-Type %s is not taken here; send %s.", Shown([]byte(media)),
		strings.Join(types, " or ")).With("accepts", types)
}
