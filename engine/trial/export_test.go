package trial

import "lintel/rules"

// LiveRule is a version's rule as it is tried.
func LiveRule(v *Version) *rules.Rule { return v.live.Rules()[0] }
