package epc

import "errors"

// Report is everything this package can say about one input, for people and for scripts.
type Report struct {
	Input           string       `json:"input"`
	Scheme          string       `json:"scheme,omitempty"`
	Hex             string       `json:"hex,omitempty"`
	TagURI          string       `json:"tag_uri,omitempty"`
	PureIdentityURI string       `json:"pure_identity_uri,omitempty"`
	DigitalLink     string       `json:"digital_link,omitempty"`
	Key             string       `json:"key,omitempty"`
	GTIN14          string       `json:"gtin14,omitempty"`
	Filter          *int         `json:"filter,omitempty"`
	Error           *ReportError `json:"error,omitempty"`
}

// ReportError says why an input is no identity, or why bits are only raw ones.
type ReportError struct {
	Reason  string `json:"reason"`
	Section string `json:"section,omitempty"`
}

// Describe reads input in any form. Hexadecimal bits that are no GS1 EPC give both the error that
// says so and the raw identity that a reader's report of them would get.
func Describe(input string) Report {
	rep := Report{Input: input}
	e, err := Parse(input)
	var why *Error
	if errors.As(err, &why) {
		rep.Error = &ReportError{Reason: why.Reason, Section: why.Section}
		if why.Kind != NotGS1 {
			return rep
		}
		if e, err = ParseHex(input, 0, false); err != nil {
			return rep
		}
	}
	rep.Scheme, rep.Hex, rep.TagURI, rep.PureIdentityURI = e.Scheme().String(), e.Hex(), e.TagURI(), e.PureIdentityURI()
	rep.DigitalLink, rep.Key, rep.GTIN14 = e.DigitalLink(), e.KeyText(), e.GTIN14Text()
	if v, ok := e.Filter(); ok {
		rep.Filter = &v
	}
	return rep
}
