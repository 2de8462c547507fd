package epc

import (
	"encoding/hex"
	"testing"

	"github.com/stretchr/testify/require"
)

const (
	hexSGTIN96   = "3036451FD40C0E4000001A85"
	hexSGTIN198  = "3636451FD40C0E59B2C2BF1000000000000000000000000000"
	hexSGTINPlus = "F7109521141123454046A140"
	hexRaw       = "E28011606000020000001234"
)

func benchBytes(b *testing.B, in string) {
	bits, err := hex.DecodeString(in)
	require.NoError(b, err)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := ParseBytes(bits); err != nil {
			b.Fatal(err)
		}
	}
}

func benchParse(b *testing.B, in string) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Parse(in); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkParseBytesSGTIN96(b *testing.B)   { benchBytes(b, hexSGTIN96) }
func BenchmarkParseBytesSGTIN198(b *testing.B)  { benchBytes(b, hexSGTIN198) }
func BenchmarkParseBytesSGTINPlus(b *testing.B) { benchBytes(b, hexSGTINPlus) }
func BenchmarkParseHexSGTIN96(b *testing.B)     { benchParse(b, hexSGTIN96) }
func BenchmarkParseHexSGTIN198(b *testing.B)    { benchParse(b, hexSGTIN198) }
func BenchmarkParseHexSGTINPlus(b *testing.B)   { benchParse(b, hexSGTINPlus) }
func BenchmarkParseDigitalLink(b *testing.B) {
	benchParse(b, "https://id.gs1.org/01/09521141123454/21/6789")
}
func BenchmarkParsePureIdentityURI(b *testing.B) {
	benchParse(b, "urn:epc:id:sgtin:9521141.012345.6789")
}

func BenchmarkParseTagRaw(b *testing.B) {
	bits, err := hex.DecodeString(hexRaw)
	require.NoError(b, err)
	b.ReportAllocs()
	for b.Loop() {
		e, err := ParseTag(bits, 0, false)
		if err != nil {
			b.Fatal(err)
		}
		_ = e.Key()
	}
}

func BenchmarkParseHexAndKeySGTIN96(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		e, err := Parse(hexSGTIN96)
		if err != nil || e.Key().IsZero() {
			b.Fatal(err)
		}
	}
}

func BenchmarkKeyHashed(b *testing.B) {
	e, err := Parse("(01)09521141123454(21)32a/b")
	require.NoError(b, err)
	b.ReportAllocs()
	for b.Loop() {
		_ = e.Key()
	}
}

func BenchmarkEncodeSGTIN96(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := EncodeSGTIN96(9521141123454, 7, 6789, 1); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkHexSGTIN96(b *testing.B) {
	e, err := Parse(hexSGTIN96)
	require.NoError(b, err)
	b.ReportAllocs()
	for b.Loop() {
		_ = e.Hex()
	}
}

func BenchmarkKeyTextSGTIN96(b *testing.B) {
	e, err := Parse(hexSGTIN96)
	require.NoError(b, err)
	b.ReportAllocs()
	for b.Loop() {
		_ = e.KeyText()
	}
}

// TestAllocations holds the hot path of a read, bits to key, free of allocations.
func TestAllocations(t *testing.T) {
	bits, err := hex.DecodeString(hexSGTIN96)
	require.NoError(t, err)
	var sink uint64
	require.Zero(t, testing.AllocsPerRun(100, func() {
		e, err := ParseBytes(bits)
		if err != nil {
			panic(err)
		}
		sink += e.Key().Lo
	}))
	require.Zero(t, testing.AllocsPerRun(100, func() {
		e, err := Parse(hexSGTIN96)
		if err != nil {
			panic(err)
		}
		sink += e.Key().Lo
	}))
	require.Zero(t, testing.AllocsPerRun(100, func() {
		e, err := ParseTag(bits, 0x3000, true)
		if err != nil {
			panic(err)
		}
		sink += e.Key().Lo
	}))
	plus, err := Parse(hexSGTINPlus)
	require.NoError(t, err)
	require.Zero(t, testing.AllocsPerRun(100, func() { sink += plus.Key().Lo }))
	require.NotZero(t, sink)
}
