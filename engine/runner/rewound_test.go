package runner_test

import "testing"

// A store that lost its newest entries under a running node gives out numbers of entries again, but
// no id of an alert or of a message. Exchanging the store under a running node is a race by itself.
func TestAStoreThatWentBackGivesOutNoIDAgain(t *testing.T) { storeGoesBack(t, false) }
