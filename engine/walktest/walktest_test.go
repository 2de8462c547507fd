package walktest

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
)

const start = 1780909200000

func shop(t testing.TB, points string) *layout.Layout {
	l, err := layout.Parse([]byte(`{"site":"umberhithe","time_zone":"UTC","zones":[{"id":"front-tables","kind":"floor"},{"id":"street-door","kind":"exit"}],
	"read_points":[{"id":"tables-1","role":"fixed","zone":"front-tables"},` + points + `]}`))
	require.NoError(t, err)
	return l
}

const twoSides = `{"id":"in","role":"portal","zone":"street-door","side":"inner"},{"id":"out","role":"portal","zone":"street-door","side":"outer"}`

func tag(t testing.TB, serial uint64) Tag {
	id, err := epc.EncodeSGTIN96(9521234000013, 7, serial, 1)
	require.NoError(t, err)
	return Tag{id.Key(), "tag-" + string(rune('0'+serial))}
}

// scene writes entries as a reader sends them, one each 300 ms.
type scene struct {
	test *Test
	now  int64
}

func (s *scene) report(points []string, reads ...event.Read) {
	for i := range reads {
		reads[i].N, reads[i].T = 1, s.now-100
	}
	s.test.Add(&event.Entry{Kind: event.EntryReads, At: s.now, Points: points, Reads: reads})
	s.now += 300
}

// pass carries a tag through in eight reports: one side falls from -50 by 3 dB a report while the
// other rises to it. lift is added to both, tenths of a dB.
func (s *scene) pass(k epc.Key, out bool, lift int16) {
	for i := range int16(8) {
		inner, outer := -500-30*i+lift, -710+30*i+lift
		if !out {
			inner, outer = outer, inner
		}
		s.report([]string{"in", "out"}, event.Read{Key: k, Point: 0, RSSI: inner}, event.Read{Key: k, Point: 1, RSSI: outer})
	}
}

func TestAGoodDoor(t *testing.T) {
	a, b := tag(t, 1), tag(t, 2)
	walks := []Walk{{start, start + 3000, Out}, {start + 10_000, start + 13_000, In}}
	test, err := New(shop(t, twoSides), 1, []Tag{a, b}, walks)
	require.NoError(t, err)
	s := &scene{test: test}
	for i, w := range walks {
		s.now = w.From + 200
		s.pass(a.Key, i == 0, 0)
		s.now = w.From + 250
		s.pass(b.Key, i == 0, -40)
	}
	// Goods on the table are heard faintly, and a reader inside hears a tag before it is carried
	// out.
	s.now = start + 1000
	s.report([]string{"in"}, event.Read{Key: tag(t, 7).Key, RSSI: -725}, event.Read{Key: tag(t, 7).Key, RSSI: -745},
		event.Read{Key: tag(t, 8).Key, RSSI: -760})
	s.report([]string{"tables-1"}, event.Read{Key: a.Key, RSSI: -480})
	s.now = start + 5000
	s.report([]string{"in"}, event.Read{Key: a.Key, RSSI: -300}) // between walks: no part of any

	r := test.Result()
	require.True(t, r.TwoSided)
	require.Equal(t, 4, r.Passages)
	require.Equal(t, 4, r.Heard)
	require.Equal(t, 0.3, *r.Rhythm)
	one := r.Walks[0].Tags[0]
	require.Equal(t, SideHeard{8, new(-50.0)}, *one.Inner)
	require.Equal(t, SideHeard{8, new(-50.0)}, *one.Outer)
	require.Nil(t, one.Both)
	require.Equal(t, 1, one.Inside)
	require.Equal(t, 0.3, *one.LongestGap)
	// Reports 0 to 2 lie in the first third: the sides are 21, 15 and 9 dB apart.
	require.Equal(t, 15.0, *one.FirstThird)
	require.Equal(t, -15.0, *one.LastThird)
	require.Equal(t, -54.0, *r.Walks[0].Tags[1].Inner.Peak)
	require.Equal(t, 30.0, *r.Parts, "in and out count alike")
	require.Equal(t, 2, r.Nearby)
	require.Equal(t, "(01)09521234000013(21)7", r.Others[0].Tag)
	require.Equal(t, Other{Tag: r.Others[0].Tag, Reads: 2, Peak: new(-72.5), Median: new(-73.5)}, r.Others[0])
	// Above -72.5, far below the weakest passage.
	require.Equal(t, -72.0, *r.Proposal.MinRSSI)
	// The middle lies 1,050 ms before the last read; two rhythms of 300 ms and 2 s make 3,650.
	require.Equal(t, "4s", r.Proposal.SureWithin)
	require.Empty(t, r.Proposal.Power)
	require.Empty(t, r.Remarks)
	_, err = json.Marshal(r)
	require.NoError(t, err)
}

func TestGoodsNearbyAsLoudAsWalks(t *testing.T) {
	a := tag(t, 1)
	test, err := New(shop(t, twoSides), 1, []Tag{a}, []Walk{{start, start + 3000, Out}, {start + 5000, start + 6000, Still}})
	require.NoError(t, err)
	s := &scene{test: test, now: start + 200}
	s.pass(a.Key, true, 0)
	s.now = start + 5200
	s.report([]string{"in"}, event.Read{Key: a.Key, RSSI: -520})
	r := test.Result()
	require.Equal(t, 1, r.Passages, "a tag at rest is no passage")
	require.Nil(t, r.Proposal.MinRSSI)
	require.Equal(t, "lower", r.Proposal.Power)
	require.Contains(t, r.Remarks[0], "no floor keeps the ones out and the other in")
}

func TestSidesThatDoNotPart(t *testing.T) {
	a := tag(t, 1)
	test, err := New(shop(t, twoSides), 1, []Tag{a}, []Walk{{start, start + 3000, Out}})
	require.NoError(t, err)
	s := &scene{test: test, now: start + 200}
	for i := range int16(8) {
		s.report([]string{"in", "out"}, event.Read{Key: a.Key, RSSI: -600 - i}, event.Read{Key: a.Key, Point: 1, RSSI: -590})
	}
	r := test.Result()
	require.Less(t, *r.Parts, 3.0)
	require.Len(t, r.Remarks, 1)
	require.Contains(t, r.Remarks[0], "The sides don't part")
	require.Nil(t, r.Proposal.MinRSSI, "nothing nearby is heard, so no floor is needed")
}

func TestAWeakDoorWithOneAntennaAndNoLevels(t *testing.T) {
	a := tag(t, 1)
	lay := shop(t, `{"id":"door","role":"portal","zone":"street-door"}`)
	test, err := New(lay, 1, []Tag{a}, []Walk{{start, start + 3000, Out}, {start + 4000, start + 7000, In},
		{start + 8000, start + 9000, Along}})
	require.NoError(t, err)
	s := &scene{test: test, now: start + 200}
	for range 4 {
		s.report([]string{"door"}, event.Read{Key: a.Key, RSSI: event.NoRSSI})
	}
	r := test.Result()
	require.False(t, r.TwoSided)
	require.Equal(t, 2, r.Passages)
	require.Equal(t, 1, r.Heard)
	require.Equal(t, "raise", r.Proposal.Power)
	require.Equal(t, "3.5s", r.Proposal.SureWithin, "450 ms after the middle, two rhythms, 2 s")
	require.Equal(t, 4, r.Walks[0].Tags[0].Both.Reads)
	require.Nil(t, r.Walks[0].Tags[0].Both.Peak)
	require.Len(t, r.Remarks, 4)

	// Nothing heard at all: nothing proposed but more power.
	test, err = New(lay, 1, []Tag{a}, []Walk{{start, start + 3000, Out}})
	require.NoError(t, err)
	r = test.Result()
	require.Equal(t, Proposal{Power: "raise"}, r.Proposal)
	test, err = New(lay, 1, []Tag{a}, []Walk{{start, start + 3000, Along}})
	require.NoError(t, err)
	require.Equal(t, []string{"No walk led through the door; walk out and in at least five times each."}, test.Result().Remarks)
}

// A batch that was sent twice, and batches out of order, are the same as each once and in order.
func TestOrderAndRepetitionOfBatchesChangeNothing(t *testing.T) {
	a := tag(t, 1)
	var entries []*event.Entry
	for i := range int64(8) {
		at := start + 200 + 300*i
		entries = append(entries, &event.Entry{Kind: event.EntryReads, At: at, Points: []string{"in", "out"}, Reads: []event.Read{
			{Key: a.Key, RSSI: int16(-500 - 30*i), N: 1, T: at - 50}, {Key: a.Key, Point: 1, RSSI: int16(-710 + 30*i), N: 2, T: at - 40},
		}})
	}
	judge := func(order ...int) Result {
		test, err := New(shop(t, twoSides), 1, []Tag{a}, []Walk{{start, start + 3000, Out}})
		require.NoError(t, err)
		for _, i := range order {
			test.Add(entries[i])
		}
		r := test.Result()
		r.Rhythm, r.Proposal.SureWithin = nil, "" // the rhythm is that of receipt
		return r
	}
	want := judge(0, 1, 2, 3, 4, 5, 6, 7)
	require.Equal(t, want, judge(0, 0, 1, 2, 3, 4, 5, 5, 6, 7))
	require.Equal(t, want, judge(7, 3, 1, 0, 2, 6, 5, 4))
}

func TestBadTests(t *testing.T) {
	a := tag(t, 1)
	walk := Walk{start, start + 1000, Out}
	for want, c := range map[string]struct {
		zone  int
		tags  []Tag
		walks []Walk
	}{
		"no read point of role \"portal\" is in it":   {0, []Tag{a}, []Walk{walk}},
		"tags: has 0 entries":                         {1, nil, []Walk{walk}},
		"tags: has 101 entries":                       {1, make([]Tag, 101), []Walk{walk}},
		"tags[1]: is the same as tags[0]":             {1, []Tag{a, a}, []Walk{walk}},
		"walks: has 0 entries":                        {1, []Tag{a}, nil},
		"walks: has 201 entries":                      {1, []Tag{a}, make([]Walk, 201)},
		`walks[0].what: "through" is not`:             {1, []Tag{a}, []Walk{{start, start + 1, "through"}}},
		"walks[0].to: is not after from":              {1, []Tag{a}, []Walk{{start, start, In}}},
		"walks[1].from: is before":                    {1, []Tag{a}, []Walk{walk, {start + 999, start + 2000, In}}},
		"they take 15m0.001s from the first to the l": {1, []Tag{a}, []Walk{walk, {start + 2000, start + 900_001, In}}},
	} {
		_, err := New(shop(t, twoSides), c.zone, c.tags, c.walks)
		require.ErrorContains(t, err, want)
	}
}
