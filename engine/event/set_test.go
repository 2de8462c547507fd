package event

import (
	"encoding"
	"testing"

	"github.com/stretchr/testify/require"
)

// value is what every numbered set's type can do.
type value interface {
	encoding.TextMarshaler
	String() string
}

func requireSet[T interface {
	~uint8
	value
}, P interface {
	*T
	encoding.TextUnmarshaler
}](t *testing.T, set *Set[T]) {
	t.Run(set.What(), func(t *testing.T) {
		requireWords(t, set)
		for i, v := range set.All() {
			require.Equal(t, set.Words()[i].Text, v.String())
			b, err := v.MarshalText()
			require.NoError(t, err)
			var back T
			require.NoError(t, P(&back).UnmarshalText(b))
			require.Equal(t, v, back)
		}
		var back T
		require.ErrorContains(t, P(&back).UnmarshalText([]byte("nonsense")), `"nonsense" is not a `+set.What()+
			": use one of "+set.Words()[0].Text)
		require.Equal(t, set.What()+" 200", T(200).String(), "a value of a newer version")
		if zero := T(0); set.first == 1 {
			require.Empty(t, zero.String())
			require.NoError(t, P(&back).UnmarshalText(nil))
			require.Equal(t, zero, back)
		} else {
			require.Error(t, P(&back).UnmarshalText(nil))
		}
	})
}

func requireWords(t *testing.T, v Vocabulary) {
	require.NotEmpty(t, v.What())
	seen := make(map[string]bool)
	for _, w := range v.Words() {
		require.Regexp(t, `^[a-z][a-z_.]*$`, w.Text)
		require.NotEmpty(t, w.Meaning, w.Text)
		require.False(t, seen[w.Text], w.Text)
		seen[w.Text] = true
	}
}

func TestSets(t *testing.T) {
	requireSet(t, Causes)
	requireSet(t, EventTypes)
	requireSet(t, Dispositions)
	requireSet(t, Directions)
	requireSet(t, ZoneKinds)
	requireSet(t, Roles)
	requireSet(t, Sides)
	requireSet(t, AlertStatuses)
	requireSet(t, Stages)
	requireSet(t, CountStatuses)
	requireSet(t, Findings)
	requireSet(t, DeliveryStatuses)
	for what, v := range Vocabularies {
		require.Equal(t, what, v.What())
		requireWords(t, v)
	}
	require.Len(t, Vocabularies, 18, "two sets have one name")
}

// Numbers are stored: these are the ones of journals and records that exist.
func TestNumbersStay(t *testing.T) {
	require.EqualValues(t, []uint8{1, 9, 17}, []uint8{uint8(Arrived), uint8(Found), uint8(Doubled)})
	require.EqualValues(t, []uint8{1, 7}, []uint8{uint8(EventSold), uint8(EventRegistered)})
	require.EqualValues(t, []uint8{0, 3, 5}, []uint8{uint8(Unknown), uint8(RetailSold), uint8(Inactive)})
	require.EqualValues(t, []uint8{1, 4}, []uint8{uint8(CountOpen), uint8(CountDiscarded)})
	require.EqualValues(t, []uint8{1, 16}, []uint8{uint8(FoundExpected), uint8(MoreThanPapers)})
	require.EqualValues(t, []uint8{0, 4}, []uint8{uint8(AlertPending), uint8(AlertClosed)})
	require.EqualValues(t, []uint8{1, 4}, []uint8{uint8(StageHold), uint8(StageNeeds)})
}
