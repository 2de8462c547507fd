package trial

import (
	"bytes"
	"io"

	"lintel/rules"
)

// LiveRule is a version's rule as it is tried.
func LiveRule(v *Version) *rules.Rule { return v.live.Rules()[0] }

// GeneralFactReader reads every line the general way.
func GeneralFactReader(r io.Reader) (*FactReader, error) {
	f, err := NewFactReader(r)
	if err == nil {
		f.general = true
	}
	return f, err
}

// ExportForm says whether a line has the form that is read in one pass.
func ExportForm(line []byte) bool {
	r, _ := NewFactReader(bytes.NewReader(nil))
	return r.exported(line)
}
