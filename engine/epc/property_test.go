package epc

import (
	"encoding/hex"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

const chars82 = `!"%&'()*+,-./:;<=>?_` + digitChars + upperChars + lowerChars

// drawText draws 1 to limit characters, often plain digits and often with the brackets that make
// trouble.
func drawText(t *rapid.T, limit int, alphabet, label string) string {
	alphabets := []string{alphabet, digitChars, "0"}
	if strings.Contains(alphabet, "(") {
		alphabets = append(alphabets, "()012", ".%/")
	}
	chars := rapid.SampledFrom(alphabets).Draw(t, label+" alphabet")
	n := rapid.IntRange(1, limit).Draw(t, label+" length")
	out := make([]byte, n)
	for i := range out {
		out[i] = chars[rapid.IntRange(0, len(chars)-1).Draw(t, label)]
	}
	return string(out)
}

// drawGTIN draws a GTIN-14 that can form an SGTIN.
func drawGTIN(t *rapid.T) string {
	body := padded(rapid.Uint64Range(0, pow10[13]-1).Filter(func(v uint64) bool {
		return circulation(v*10) == nil
	}).Draw(t, "gtin"), 13)
	check, _ := CheckDigit(body)
	return body + string(check)
}

func drawChecked(t *rapid.T, digits int, label string) string {
	body := padded(rapid.Uint64Range(0, pow10[digits-1]-1).Draw(t, label), digits-1)
	check, _ := CheckDigit(body)
	return body + string(check)
}

// drawIdentity draws an identity of a family as the segments of a Digital Link, the one form that
// holds them all, or as a pure identity URI where there is no link. The serial is often one that
// the scheme s can hold; s may be an identity, which holds all.
func drawIdentity(t *rapid.T, s Scheme) EPC {
	family := s.Family()
	drawText := drawText
	if inf := &schemes[s]; (inf.serial == serialInteger || s == GIAI96) && rapid.IntRange(0, 9).Draw(t, "fits") > 0 {
		width := inf.serBits
		if s == GIAI96 {
			width = 41 // what the smallest of its partitions can hold
		}
		drawText = func(t *rapid.T, _ int, _, label string) string {
			return padded(rapid.Uint64Range(0, 1<<width-1).Draw(t, label), 1)
		}
	}
	esc := func(s string) string { return string(appendEscaped(nil, s, linkEscaped)) }
	var in string
	switch family {
	case SGTIN:
		in = "/01/" + drawGTIN(t) + "/21/" + esc(drawText(t, 20, chars82, "serial"))
	case ITIP:
		in = "/8006/" + drawGTIN(t) + padded(rapid.Uint64Range(0, 9999).Draw(t, "piece"), 4) + "/21/" +
			esc(drawText(t, 20, chars82, "serial"))
	case SSCC:
		in = "/00/" + drawChecked(t, 18, "sscc")
	case GSRN:
		in = "/8018/" + drawChecked(t, 18, "gsrn")
	case GSRNP:
		in = "/8017/" + drawChecked(t, 18, "gsrn")
	case SGLN:
		in = "/414/" + drawChecked(t, 13, "gln")
		if rapid.Bool().Draw(t, "has extension") {
			in += "/254/" + esc(drawText(t, 20, chars82, "extension"))
		}
	case GRAI:
		in = "/8003/0" + drawChecked(t, 13, "grai") + esc(drawText(t, 16, chars82, "serial"))
	case GDTI:
		in = "/253/" + drawChecked(t, 13, "gdti") + esc(drawText(t, 17, chars82, "serial"))
	case SGCN:
		in = "/255/" + drawChecked(t, 13, "gcn") + drawText(t, 12, digitChars, "serial")
	case GIAI:
		in = "/8004/" + padded(rapid.Uint64Range(0, pow10[12]-1).Draw(t, "prefix"), 12) + esc(drawText(t, 18, chars82, "reference"))
	case CPI:
		if s == CPI96 { // it holds numbers of 11 bits and more
			in = "/8010/" + padded(rapid.Uint64Range(0, pow10[12]-1).Draw(t, "prefix"),
				12) + padded(rapid.Uint64Range(0, 1050).Draw(t, "reference"), 1) +
				"/8011/" + padded(rapid.Uint64Range(0, 1<<31).Draw(t, "serial"), 1)
			break
		}
		in = "/8010/" + padded(rapid.Uint64Range(0, pow10[12]-1).Draw(t, "prefix"),
			12) + esc(drawText(t, 18, upperChars+"-/#"+digitChars, "reference")) +
			"/8011/" + padded(rapid.Uint64Range(0, pow10[12]-1).Draw(t, "serial"), 1)
	case GID:
		in = fmt.Sprintf("urn:epc:id:gid:%d.%d.%d", rapid.Uint64Range(0, 1<<28-1).Draw(t, "manager"),
			rapid.Uint64Range(0, 1<<24-1).Draw(t, "class"), rapid.Uint64Range(0, 1<<36-1).Draw(t, "serial"))
	case USDOD:
		in = fmt.Sprintf("urn:epc:id:usdod:%s.%d", rapid.StringMatching(`[A-HJ-NP-Z0-9]{5,6}`).Draw(t, "code"),
			rapid.Uint64Range(0, 1<<36-1).Draw(t, "serial"))
	}
	if in[0] == '/' {
		in = "https://shelf.umberhithe.example/a/b" + in
	}
	e, err := Parse(in)
	require.NoError(t, err, in)
	return e
}

// prefixFor draws the length of a company prefix. The references drawn for GIAI-96 and CPI-96
// mostly fit behind 12 digits only.
func prefixFor(t *rapid.T, s Scheme) int {
	if (s == GIAI96 || s == CPI96) && rapid.IntRange(0, 3).Draw(t, "long prefix") > 0 {
		return 12
	}
	return rapid.IntRange(6, 12).Draw(t, "prefix digits")
}

// TestRoundTrips draws identities, encodes them in every scheme of their family, and reads every
// form back.
func TestRoundTrips(t *testing.T) {
	for s := SGTIN96; s < numSchemes; s++ {
		t.Run(s.String(), rapid.MakeCheck(func(t *rapid.T) {
			id := drawIdentity(t, s)
			opt := Options{
				Filter:       rapid.IntRange(0, 7).Draw(t, "filter"),
				PrefixDigits: prefixFor(t, s),
				Method: rapid.SampledFrom([]Method{MethodAuto, MethodAuto, MethodAuto, MethodNumeric,
					MethodUpperHex, MethodLowerHex, MethodBase64, MethodASCII, MethodCode40}).Draw(t, "method"),
				Toggle: rapid.Bool().Draw(t, "toggle"),
				DateAI: rapid.SampledFrom(dateAIs[:]).Draw(t, "date AI"),
				Date: fmt.Sprintf("%02d%02d%02d", rapid.IntRange(0, 99).Draw(t, "yy"),
					rapid.IntRange(1, 12).Draw(t, "mm"), rapid.IntRange(0, 29).Draw(t, "dd")),
				Hostname: rapid.SampledFrom([]string{"a", "www.umberhithe.example", "id.umberhithe.co.uk",
					"QR.books.tech", "x-1.com.au"}).Draw(t, "host"),
			}
			e, err := Encode(id, s, opt)
			if err != nil {
				// Not every identity fits: the scheme then says so, and a roomier scheme of the
				// family takes it.
				var why *Error
				require.ErrorAs(t, err, &why)
				require.Equal(t, Broken, why.Kind)
				t.Skip(why.Reason)
			}
			require.Equal(t, id.Key(), e.Key())
			require.Equal(t, id.KeyText(), e.KeyText())

			bits, n := e.Bits()
			back, err := ParseBytes(bits)
			require.NoError(t, err)
			require.Equal(t, e, back, "the bits hold everything that Encode put in")
			_, backBits := back.Bits()
			require.Equal(t, n, backBits)
			requireAllForms(t, e)
			if form := schemes[s].form; form == formPlus || form == formPlusPlus {
				require.Equal(t, opt.Toggle, e.HasAIDC())
			}
			if schemes[s].form == formPlusPlus {
				require.Equal(t, strings.ToLower(opt.Hostname), back.Hostname())
			}
			if ai, date, ok := back.Date(); ok {
				require.Equal(t, opt.DateAI+opt.Date, ai+date)
			}
		}))
	}
}

// requireAllForms reads every printed form of e back and expects the same identity.
func requireAllForms(t require.TestingT, e EPC) {
	for _, form := range []string{e.Hex(), e.TagURI(), e.PureIdentityURI(), e.DigitalLink(), e.TagDigitalLink(), e.RawURI(), e.KeyText()} {
		if form == "" || form == e.Hex() && e.IsRaw() {
			continue
		}
		same, err := Parse(form)
		require.NoError(t, err, form)
		require.Equal(t, e.Key(), same.Key(), form)
		require.Equal(t, e.KeyText(), same.KeyText(), form)
	}
	if e.IsRaw() {
		same, err := ParseHex(e.Hex(), 0, false)
		if err == nil && e.flags&flagAFI == 0 {
			require.Equal(t, e.Key(), same.Key())
		}
	}
	key := e.Key()
	if text, ok := key.Text(); ok {
		require.Equal(t, e.KeyText(), text)
	} else {
		require.Equal(t, HashedKey(e.KeyText()), key)
	}
	b, err := key.AppendBinary(nil)
	require.NoError(t, err)
	again, err := KeyFromBytes(b)
	require.NoError(t, err)
	require.Equal(t, key, again)
}

// TestEveryIdentityFitsItsPlusScheme: the "+" schemes were made to hold every value of their
// Application Identifiers.
func TestEveryIdentityFitsItsPlusScheme(t *testing.T) {
	for s := SGTIN96; s < numSchemes; s++ {
		if schemes[s].form != formPlus {
			continue
		}
		t.Run(s.String(), rapid.MakeCheck(func(t *rapid.T) {
			_, err := Encode(drawIdentity(t, s), s, Options{DateAI: "11", Date: "260100"})
			require.NoError(t, err)
		}))
	}
}

// TestBitFlips: bits that decode encode to the same bits again, so no two tags share a tag URI
// without sharing bits.
func TestBitFlips(t *testing.T) {
	var seeds [][]byte
	for _, c := range readFixture[encoding](t, "encodings.json") {
		e, err := Parse(c.Hex)
		require.NoError(t, err)
		bits, _ := e.Bits()
		seeds = append(seeds, bits)
	}
	rapid.Check(t, func(t *rapid.T) {
		bits := append([]byte(nil), rapid.SampledFrom(seeds).Draw(t, "seed")...)
		for range rapid.IntRange(1, 4).Draw(t, "flips") {
			at := rapid.IntRange(0, len(bits)*8-1).Draw(t, "at")
			bits[at/8] ^= 0x80 >> (at % 8)
		}
		e, err := ParseTag(bits, 0, false)
		if err != nil {
			return
		}
		got, n := e.Bits()
		require.Equal(t, trimBits(bits, n), string(got))
		requireAllForms(t, e)
	})
}

// TestKeysAreInjective: two identities share a key only when they share the text.
func TestKeysAreInjective(t *testing.T) {
	families := rapid.SampledFrom([]Scheme{SGTIN, SSCC, SGLN, GRAI, GIAI, GSRN, GSRNP, GDTI, CPI, SGCN, ITIP, GID, USDOD})
	rapid.Check(t, func(t *rapid.T) {
		a := drawIdentity(t, families.Draw(t, "family a"))
		b := drawIdentity(t, families.Draw(t, "family b"))
		require.Equal(t, a.KeyText() == b.KeyText(), a.Key() == b.Key(), "%s %s", a, b)
		require.Equal(t, a.Key() == b.Key(), a.Key().Compare(b.Key()) == 0)
		require.Equal(t, a.Key().Compare(b.Key()), -b.Key().Compare(a.Key()))
	})
}

// TestAnyKeyBytes: whatever 16 bytes come out of a store, Text panics on none and tells no text
// that is not theirs.
func TestAnyKeyBytes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := Key{Hi: rapid.Uint64().Draw(t, "hi"), Lo: rapid.Uint64().Draw(t, "lo")}
		if rapid.Bool().Draw(t, "small") {
			k.Hi &= 0xF00000000000FFFF
		}
		if text, ok := k.Text(); ok {
			e, err := Parse(text)
			require.NoError(t, err, text)
			require.Equal(t, k, e.Key())
		}
		require.NotEmpty(t, k.String())
	})
}

func FuzzParse(f *testing.F) {
	for _, c := range readFixture[encoding](f, "encodings.json") {
		for _, form := range []string{c.Hex, c.TagURI, c.PureIdentityURI, c.DigitalLink, c.CanonicalLink, c.Key} {
			f.Add(form)
		}
	}
	for _, c := range readFixture[verdict](f, "verdicts.json") {
		f.Add(c.Input)
	}
	f.Add("urn:epc:raw:96.xE28011606000020000001234")
	f.Add("urn:epc:raw:32.xA1.x12345678")
	f.Add("(01)09521141123454(21)a(10)b(17)261231")
	f.Fuzz(func(t *testing.T, in string) {
		e, err := Parse(in)
		if err != nil {
			var why *Error
			require.ErrorAs(t, err, &why)
			require.NotEmpty(t, why.Reason)
			require.LessOrEqual(t, len([]rune(why.Input)), maxInput+1)
			require.LessOrEqual(t, len(why.Error()), 2000)
			return
		}
		require.False(t, e.Key().IsZero())
		requireAllForms(t, e)
		rep := Describe(in)
		require.Nil(t, rep.Error)
		require.Equal(t, e.KeyText(), rep.Key)
	})
}

func FuzzParseTag(f *testing.F) {
	for _, c := range readFixture[encoding](f, "encodings.json") {
		if b, err := hex.DecodeString(c.Hex); err == nil {
			f.Add(b, uint16(0x3000), true)
			f.Add(b, uint16(0x31A1), true)
			f.Add(b, uint16(0), false)
		}
	}
	f.Fuzz(func(t *testing.T, b []byte, pc uint16, hasPC bool) {
		e, err := ParseTag(b, pc, hasPC)
		if err != nil {
			return
		}
		requireAllForms(t, e)
		require.False(t, hasPC && pc&pcToggle != 0 && !e.IsRaw(), "the toggle bit says that these are no GS1 bits")
	})
}
