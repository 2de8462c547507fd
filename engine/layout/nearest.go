package layout

import "lintel/engine/faults"

// Nearest is faults.Nearest.
func Nearest(got string, names []string) string { return faults.Nearest(got, names) }
