package event

import (
	"encoding/hex"
	"slices"
	"testing"
	"unsafe"

	"github.com/stretchr/testify/require"
	"github.com/tinylib/msgp/msgp"

	"lintel/engine/epc"
)

const at = 1780909200000 // Unix milliseconds

var book = func() epc.Key {
	e, err := epc.EncodeSGTIN96(9521234000013, 7, 1, 1)
	if err != nil {
		panic(err)
	}
	return e.Key()
}()

// oldReads are the bytes that an entry of reads had in journals before reads could carry phase,
// channel and Doppler shift.
func oldReads(t testing.TB) []byte {
	b, err := hex.DecodeString("950101d30000019ea675d280a46761746595aa71756179736964652d3792a7646f6f722d696eaa68616e6468656c642d3191a77368656c662d61c60000002e" +
		"100008a8d5c5388d00000000000000010000fd080ce807f00000000000000000000000000000070101ffff0301099201b72830312930393532313233343030303031332832312941")
	require.NoError(t, err)
	return b
}

func TestOldReadsAreReadAndWrittenAsTheyWere(t *testing.T) {
	want := Entry{Kind: EntryReads, At: at, By: "gate", Count: "quayside-7", Points: []string{"door-in", "handheld-1"},
		Zones: []string{"shelf-a"}, Reads: []Read{
			{Key: book, RSSI: -575, N: 12, T: at - 500},
			{Key: epc.Key{Hi: 15 << 60, Lo: 7}, Text: "(01)09521234000013(21)A", Point: 1, Zone: 1, RSSI: NoRSSI, N: 1, T: at + 5},
		}}
	var e Entry
	require.NoError(t, DecodeEntry(oldReads(t), &e))
	require.Equal(t, want, e)
	require.Equal(t, oldReads(t), AppendEntry(nil, &e), "reads without evidence take no byte more than before")
}

func TestEvidenceRoundTrips(t *testing.T) {
	require.LessOrEqual(t, unsafe.Sizeof(Read{}), uintptr(56))
	e := Entry{Kind: EntryReads, At: at, Points: []string{"door-in"}}
	for _, phase := range []uint16{0, 1, 1800, maxPhase} {
		for _, channel := range []uint16{0, 1000, 8657, maxChannel} {
			for _, doppler := range []uint16{0, 1, DopplerZero, maxDoppler} {
				e.Reads = append(e.Reads, Read{Key: book, RSSI: -600, N: 1, T: at, Phase: phase, Channel: channel, Doppler: doppler})
			}
		}
	}
	var back Entry
	b := AppendEntry(nil, &e)
	require.NoError(t, DecodeEntry(b, &back))
	require.Equal(t, e.Reads, back.Reads)

	plain := Entry{Kind: EntryReads, At: at, Points: e.Points, Reads: make([]Read, len(e.Reads))}
	for i := range plain.Reads {
		plain.Reads[i] = Read{Key: book, RSSI: -600, N: 1, T: at}
	}
	require.LessOrEqual(t, len(b)-len(AppendEntry(nil, &plain)), 9*len(e.Reads))

	for cut := range b {
		require.Error(t, DecodeEntry(b[:cut], &back), "cut after %d", cut)
	}
	// Values that no reader can have reported are damage.
	for _, r := range []Read{{Phase: maxPhase + 1}, {Channel: maxChannel + 1}, {Doppler: maxDoppler + 1}} {
		r.N = 1
		require.ErrorIs(t, DecodeEntry(AppendEntry(nil, &Entry{Kind: EntryReads, Points: e.Points, Reads: []Read{r}}), &back), errBlock)
	}
	odd := slices.Clone(b)
	odd[1] = 3
	require.ErrorContains(t, DecodeEntry(odd, &back), "version 3, this Lintel reads up to 2")
}

func FuzzDecodeEntry(f *testing.F) {
	k := book
	f.Add(AppendEntry(nil, &Entry{Kind: EntryReads, At: at, By: "gate", Points: []string{"door-in"},
		Zones: []string{"shelf-a"}, Reads: []Read{
			{Key: k, Zone: 1, RSSI: -600, N: 2, T: at}, {Key: epc.Key{Hi: 15 << 60, Lo: 7}, Text: "(01)09521234000013(21)A",
				RSSI: NoRSSI, N: 1, T: at - 5},
		}}))
	f.Add(AppendEntry(nil, &Entry{Kind: EntryEvents, At: at,
		Events: []Event{{Type: EventSold, Tags: []Tag{{Key: k}}, Zone: "till", T: at, Ref: "r-1"}}}))
	f.Add(AppendEntry(nil, &Entry{Kind: EntryConfig, At: at, Config: []Pin{{"rules", 3}}}))
	f.Add(AppendEntry(nil, &Entry{Kind: EntryAct, At: at, Act: Act{Alert: "a", Do: "close", Outcome: "false"}}))
	f.Add(AppendEntry(nil, &Entry{Kind: EntryElsewhere, At: at, Elsewhere: []Elsewhere{{Site: OtherSite{"harbour-branch", "Harbour Branch"}}}}))
	f.Add(AppendEntry(nil, &Entry{Kind: EntryAside, At: at, Aside: Aside{Seq: 7, Reason: "it panicked"}}))
	f.Add(AppendEntry(nil, &Entry{Kind: EntryAct, At: at, Act: Act{Alert: "a", Do: "close"}, Again: 7}))
	f.Add([]byte{0x95, 1, 1})
	f.Add(AppendEntry(nil, &Entry{Kind: EntryReads, At: at, Points: []string{"door-in"}, Reads: []Read{
		{Key: k, RSSI: -600, N: 1, T: at, Phase: 3600, Channel: 8657, Doppler: DopplerZero - 35},
		{Key: k, RSSI: -600, N: 1, T: at}, {Key: k, N: 1, Doppler: 1},
	}}))
	f.Add(oldReads(f))
	f.Fuzz(func(t *testing.T, b []byte) {
		var e Entry
		if DecodeEntry(b, &e) != nil {
			return
		}
		again := AppendEntry(nil, &e)
		var e2 Entry
		require.NoError(t, DecodeEntry(again, &e2))
		require.Equal(t, again, AppendEntry(nil, &e2))
	})
}

func TestAnEntryRepeatsNoneThatRepeats(t *testing.T) {
	var e Entry
	inner := AppendEntry(nil, &Entry{Kind: EntryTick, At: at, Again: 3})
	wrapped := appendEntryHead(nil, entryVersion, entryAgain, &Entry{At: at})
	wrapped = msgp.AppendBytes(msgp.AppendUint64(msgp.AppendArrayHeader(wrapped, 2), 4), inner)
	require.ErrorIs(t, DecodeEntry(wrapped, &e), ErrNewer)
	require.NoError(t, DecodeEntry(inner, &e))
	require.Equal(t, EntryTick, e.Kind)
	require.Equal(t, uint64(3), e.Again)
}
