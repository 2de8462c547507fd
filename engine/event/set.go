package event

import (
	"fmt"
	"slices"
	"strings"
)

// Word is one value of a closed set as people and documents see it.
type Word struct {
	Text    string // as it stands in JSON, rules, SQL and CSV
	Meaning string // what it says, in one line
}

// Vocabulary is a closed set without the type of its values: what documentation is made from.
type Vocabulary interface {
	What() string  // what one value of the set is called, such as "cause"
	Words() []Word // in the order of the set; the caller does not change them
}

type vocabulary struct {
	what  string
	words []Word
}

func (v *vocabulary) What() string  { return v.what }
func (v *vocabulary) Words() []Word { return v.words }

// Texts returns the texts of the set, in its order. The caller owns the slice.
func (v *vocabulary) Texts() []string {
	texts := make([]string, len(v.words))
	for i := range v.words {
		texts[i] = v.words[i].Text
	}
	return texts
}

// Meaning returns what the value with this text says, "" if there is none.
func (v *vocabulary) Meaning(text string) string {
	for _, w := range v.words {
		if w.Text == text {
			return w.Meaning
		}
	}
	return ""
}

// Has reports whether the set has a value with this text.
func (v *vocabulary) Has(text string) bool {
	return slices.ContainsFunc(v.words, func(w Word) bool { return w.Text == text })
}

// Set is a closed set of numbered values, which are stored as numbers and shown as texts.
type Set[T ~uint8] struct {
	vocabulary
	first int // the number of words[0]; below it only 0 is possible, which has no text
}

// numbered makes a set. The words are indexed by the numbers of the values; an empty one at 0 says
// that 0 is no value of the set.
func numbered[T ~uint8](what string, words []Word) *Set[T] {
	s := &Set[T]{vocabulary: vocabulary{what: what, words: words}}
	if words[0] == (Word{}) {
		s.first, s.words = 1, words[1:]
	}
	return s
}

// Text returns the text of v: "" for a zero that is no value of the set, and the number of a value
// that this version does not know.
func (s *Set[T]) Text(v T) string {
	switch i := int(v) - s.first; {
	case i < 0:
		return ""
	case i < len(s.words):
		return s.words[i].Text
	}
	return fmt.Sprintf("%s %d", s.what, uint8(v))
}

// Parse returns the value with this text; false if there is none.
func (s *Set[T]) Parse(text string) (T, bool) {
	for i := range s.words {
		if s.words[i].Text == text {
			return T(i + s.first), true
		}
	}
	return 0, false
}

// All returns the values of the set, in their order.
func (s *Set[T]) All() []T {
	all := make([]T, len(s.words))
	for i := range all {
		all[i] = T(i + s.first)
	}
	return all
}

// unmarshal sets v to the value with this text. An empty text is the zero of a set without a value
// 0.
func (s *Set[T]) unmarshal(text []byte, v *T) error {
	found, ok := s.Parse(string(text))
	if !ok && (len(text) > 0 || s.first == 0) {
		return fmt.Errorf("%q is not a %s: use one of %s", text, s.what, strings.Join(s.Texts(), ", "))
	}
	*v = found
	return nil
}

// Texts is a closed set of values that are texts themselves.
type Texts[T ~string] struct{ vocabulary }

func texts[T ~string](what string, words []Word) *Texts[T] {
	return &Texts[T]{vocabulary{what: what, words: words}}
}

// All returns the values of the set, in its order.
func (s *Texts[T]) All() []T {
	all := make([]T, len(s.words))
	for i := range all {
		all[i] = T(s.words[i].Text)
	}
	return all
}

// Vocabularies are all closed sets, by what they are called.
var Vocabularies = func() map[string]Vocabulary {
	m := make(map[string]Vocabulary)
	for _, v := range []Vocabulary{
		Causes, EventTypes, Dispositions, Directions, ZoneKinds, Roles, Sides, Subjects, RuleSubjects, AlertStatuses, Changes, Acts,
		Outcomes, Stages, Reasons, CountStatuses, Findings, DeliveryStatuses,
	} {
		m[v.What()] = v
	}
	return m
}()
