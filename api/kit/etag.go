package kit

import (
	"strconv"
	"strings"
)

// ETag is the entity tag of a version of a document.
func ETag(version int) string { return `"` + strconv.Itoa(version) + `"` }

// Tagged reports whether a list of entity tags has the version, or is "*". A weak one will do, and a
// version without its quotes.
func Tagged(list string, version int) bool {
	return Listed(list, func(tag string) bool {
		tag = strings.TrimPrefix(tag, "W/")
		return tag == ETag(version) || tag == strconv.Itoa(version)
	})
}

// Listed reports whether a list of entity tags, as If-Match and If-None-Match have it (RFC 9110,
// section 13.1), is "*" or has one that is meant. None of our tags holds a comma.
func Listed(list string, is func(tag string) bool) bool {
	for tag := range strings.SplitSeq(list, ",") {
		if tag = strings.TrimSpace(tag); tag == "*" || is(tag) {
			return true
		}
	}
	return false
}
