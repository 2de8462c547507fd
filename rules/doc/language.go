package doc

import (
	"regexp"
	"strings"
)

// tagForm is what a language tag is made of (RFC 5646, section 2.1), without extensions and private
// use: a language, and what follows it, such as a script or a country.
var tagForm = regexp.MustCompile(`^[a-z]{2,3}(-[a-z0-9]{2,8}){0,3}$`)

// Language reads a language tag such as en or pt-BR, and returns it in lower case, in which two tags
// of one language are equal (RFC 5646, section 2.1.1).
func Language(tag string) (string, bool) {
	tag = strings.ToLower(strings.ReplaceAll(tag, "_", "-"))
	return tag, tagForm.MatchString(tag)
}
