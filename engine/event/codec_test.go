package event

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"reflect"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/epc"
)

// fill sets every field of v, also of lists and structs within, to a value of its own.
func fill(t *testing.T, v reflect.Value, n *int64) {
	*n++
	switch v.Interface().(type) {
	case epc.Key:
		e, err := epc.EncodeSGTIN96(9521234000013, 7, uint64(*n), 1)
		require.NoError(t, err)
		v.Set(reflect.ValueOf(e.Key()))
		return
	case json.RawMessage:
		v.Set(reflect.ValueOf(json.RawMessage(`{"n":` + string(rune('0'+*n%10)) + `}`)))
		return
	case Direction:
		v.Set(reflect.ValueOf(DirectionOut)) // two bits
		return
	}
	switch v.Kind() {
	case reflect.String:
		v.SetString("text " + string(rune('a'+*n%26)))
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Int, reflect.Int64:
		v.SetInt(1_780_909_200_000 + *n)
	case reflect.Int16:
		v.SetInt(-*n)
	case reflect.Uint8, reflect.Uint32, reflect.Uint64:
		v.SetUint(uint64(*n % 128))
	case reflect.Float64:
		v.SetFloat(float64(*n%1000) / 1024)
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		for i := range 2 {
			fill(t, v.Index(i), n)
		}
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(t, v.Elem(), n)
	case reflect.Struct:
		for i := range v.NumField() {
			fill(t, v.Field(i), n)
		}
	default:
		t.Fatalf("no value for %s", v.Type())
	}
}

func filled[T any](t *testing.T) (v T) {
	n := int64(0)
	fill(t, reflect.ValueOf(&v).Elem(), &n)
	return v
}

// TestRecordsRoundTrip fills every field, so that one which an encoding leaves out is seen, and
// holds the encodings against what earlier versions wrote.
func TestRecordsRoundTrip(t *testing.T) {
	sum := func(b []byte) string {
		h := sha256.Sum256(b)
		return hex.EncodeToString(h[:8])
	}
	t.Run("alert", func(t *testing.T) {
		a := filled[Alert](t)
		a.Passage.Span = 1 << 40
		b := AppendAlert(nil, &a)
		back, err := DecodeAlert(b)
		require.NoError(t, err)
		require.Equal(t, a, back)
		require.Equal(t, "8ba38ab21bd36419", sum(b))
	})
	t.Run("count", func(t *testing.T) {
		c := filled[Count](t)
		b := AppendCount(nil, &c)
		back, err := DecodeCount(b)
		require.NoError(t, err)
		require.Equal(t, c, back)
		require.Equal(t, "7cdf68bc81a10d30", sum(b))
	})
	t.Run("result", func(t *testing.T) {
		r := filled[CountResult](t)
		b := AppendCountResult(nil, &r)
		back, err := DecodeCountResult(b)
		require.NoError(t, err)
		require.Equal(t, r, back)
		require.Equal(t, "348a2c00bdf1e9fd", sum(b))
	})
	t.Run("delivery", func(t *testing.T) {
		d := filled[Delivery](t)
		b := AppendDelivery(nil, &d)
		back, err := DecodeDelivery(b)
		require.NoError(t, err)
		require.Equal(t, d, back)
		require.Equal(t, "ba4b43fc9f07ca63", sum(b))
	})
	t.Run("fact", func(t *testing.T) {
		f := filled[Fact](t)
		f.Other, f.Passage.Span, f.Passage.Confidence = nil, 1<<40, 0.25
		b := AppendFact(nil, &f)
		var back Fact
		require.NoError(t, DecodeFact(b, f.Ms, f.N, &back))
		require.Equal(t, f, back)
		require.Equal(t, "bd906c47d7423682", sum(b))
	})
	t.Run("plain fact", func(t *testing.T) { // one that is not about a count is as short as ever
		f := filled[Fact](t)
		f.Other, f.Stocktake, f.Passage.Span, f.Passage.Confidence = nil, nil, 1<<40, 0.25
		b := AppendFact(nil, &f)
		var back Fact
		require.NoError(t, DecodeFact(b, f.Ms, f.N, &back))
		require.Equal(t, f, back)
		require.Equal(t, "fdd395970ce95780", sum(b))
	})
	t.Run("set aside", func(t *testing.T) {
		a := filled[SetAside](t)
		back, err := DecodeSetAside(SetAsideKey(a.Seq), AppendSetAside(nil, &a))
		require.NoError(t, err)
		require.Equal(t, &a, back)
	})
	t.Run("entry", func(t *testing.T) {
		for _, kind := range []EntryKind{EntryEvents, EntryConfig, EntryAct, EntryCount, EntryAside, EntryElsewhere} {
			e := Entry{Kind: kind, At: at, By: "gate", Again: uint64(kind) % 2}
			switch kind {
			case EntryEvents:
				e.Events = filled[[]Event](t)
			case EntryConfig:
				e.Config = filled[[]Pin](t)
			case EntryAct:
				e.Act = filled[Act](t)
			case EntryElsewhere:
				e.Elsewhere = filled[[]Elsewhere](t)
			case EntryAside:
				e.Aside = filled[Aside](t)
			case EntryCount:
				e.Command = filled[CountCommand](t)
			}
			var back Entry
			require.NoError(t, DecodeEntry(AppendEntry(nil, &e), &back))
			back.Points, back.Zones, back.Reads = nil, nil, nil
			require.Equal(t, e, back)
		}
	})
}

// Alerts of before rules had a first step, alternatives, a history, and doors had names.
func TestAlertsOfEarlierVersions(t *testing.T) {
	a := Alert{ID: "umberhithe-1-1", Rule: "wrong-zone", Due: at, Passage: Passage{Direction: DirectionOut, Door: "yard"}}
	b := AppendAlert(nil, &a)
	for fields, size := range map[byte]int{6: 6, 7: 7, 8: 8, 9: 8 + len("yard") + 1} {
		short := append([]byte(nil), b[:len(b)-size]...)
		short[2] -= fields // of an array of 16 bits
		back, err := DecodeAlert(short)
		require.NoError(t, err)
		want := a
		if fields == 9 {
			want.Passage.Door = ""
		}
		require.Equal(t, want, back)
	}
}

// A fact of before doors were named has one field less; one with more is of a newer version.
func TestRecordsOfOtherVersions(t *testing.T) {
	f := Fact{Ms: at, At: at, Cause: Passed, Zone: "street-door", Count: 3, Passage: Passage{Direction: DirectionOut, Door: "yard"}}
	b := AppendFact(nil, &f)
	const header = 3 // an array of 16 bits
	short := append([]byte(nil), b[:len(b)-len("yard")-1]...)
	short[header-1]--
	var back Fact
	require.NoError(t, DecodeFact(short, at, 0, &back))
	want := f
	want.Passage.Door = ""
	require.Equal(t, want, back)

	f.Stocktake = &Stocktake{Zones: []string{"shelf-a"}}
	long := append(AppendFact(nil, &f), 0)
	long[header-1]++
	require.ErrorContains(t, DecodeFact(long, at, 0, &back), "it has 1 fields too many")
	f.Other = &OtherSite{ID: "harbour-branch", Name: "Harbour Branch"}
	long = append(AppendFact(nil, &f), 0)
	long[header-1]++
	require.ErrorContains(t, DecodeFact(long, at, 0, &back), "it has 34 fields, want 33")
	f.Stocktake = nil
	require.NoError(t, DecodeFact(AppendFact(nil, &f), at, 0, &back))
	require.Equal(t, f, back)

	c := Count{ID: "umberhithe-count-7", Zones: []string{"shelf-a"}, Expected: []epc.Key{}, Papers: []Line{{9521234000013, 2}}}
	plain := AppendCount(nil, &c)
	plain = plain[:len(plain)-3] // of before counts could be blind: two flags and a list without fields
	plain[header-1] -= 3
	old, err := DecodeCount(plain)
	require.NoError(t, err)
	require.Equal(t, c, old)

	r := CountResult{Count: "umberhithe-count-7", Expected: 3, Found: []epc.Key{}}
	short = AppendCountResult(nil, &r)
	short = short[:len(short)-2] // of before results had zones: a list without texts and a flag
	short[0] -= 2
	result, err := DecodeCountResult(short)
	require.NoError(t, err)
	require.Equal(t, r, result)

	newer := append([]byte(nil), b...)
	newer[header]++
	require.ErrorContains(t, DecodeFact(newer, at, 0, &back), "it has version 2, this Lintel reads 1")
	for cut := range b {
		require.Error(t, DecodeFact(b[:cut], at, 0, &back))
	}
}
