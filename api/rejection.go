package api

// Rejection says why one read or event of a batch was not taken. The rest of the batch stands.
type Rejection struct {
	Index   int    `json:"index" jsonschema_description:"Place in the batch, from 0."`
	Line    int    `json:"line,omitempty" jsonschema_description:"Of text and CSV: the line of the body, from 1."`
	Reason  string `json:"reason" jsonschema_description:"What is wrong, and how to fix it."`
	Section string `json:"section,omitempty" jsonschema_description:"Section of the standard that says so, for a tag identity that breaks it."`

	class reasonClass
	point string // the read point of the layout that it is about; "": none is known
}

// reasonClass sorts rejections for the metrics.
type reasonClass uint8

const (
	reasonShape     reasonClass = iota // not an object, an unknown or repeated member, a value of the wrong type
	reasonIdentity                     // the tag identity
	reasonReadPoint                    // no such read point
	reasonZone                         // no such zone
	reasonTime                         // malformed, or before 2000
	reasonAhead                        // ahead of the server's clock
	reasonMeaning                      // an event that says nothing: a move without a place, ...
)

var reasonNames = [...]string{"shape", "identity", "read_point", "zone", "time", "ahead", "meaning"}
