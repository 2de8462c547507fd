package epc

import (
	"encoding/hex"
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestCorrespondence are the pairs of pure identity URI and element string that TDS 2.3 section 7
// prints.
func TestCorrespondence(t *testing.T) {
	for _, c := range []struct{ uri, elements, section string }{
		{"urn:epc:id:sgtin:952656789012.0.4711", "(01)09526567890126(21)4711", "7.2.1"},
		{"urn:epc:id:sgln:952656789012..0", "(414)9526567890126", "7.2.2"},
		{"urn:epc:id:sgln:952656789012..4711", "(414)9526567890126(254)4711", "7.2.2"},
		{"urn:epc:id:sscc:952656789012.03456", "(00)095265678901234568", "7.2.3"},
		{"urn:epc:id:giai:952656789012.345678901234567890", "(8004)952656789012345678901234567890", "7.2.3"},
		{"urn:epc:id:sgtin:9521141.012345.32a%2Fb", "(01)09521141123454(21)32a/b", "7.3"},
		{"urn:epc:id:sgtin:0614141.012345.1", "(01)00614141123452(21)1", "7.3.1, serial ours"},
		{"urn:epc:id:sgtin:9521141.089012.1", "(01)09521141890127(21)1", "7.3.1, serial ours"},
		{"urn:epc:id:sgtin:00000950.01093.1", "(01)00000095010939(21)1", "7.3.2, serial ours"},
		{"urn:epc:id:gsrn:9521141.1234567890", "(8018)952114112345678906", "7.8"},
		{"urn:epc:id:gsrnp:9521141.1234567890", "(8017)952114112345678906", "7.9"},
		{"urn:epc:id:gdti:9521141.12345.006847", "(253)9521141123454006847", "7.10"},
		{"urn:epc:id:cpi:9521141.5PQ7%2FZ43.12345", "(8010)95211415PQ7/Z43(8011)12345", "7.11"},
		{"urn:epc:id:sgcn:9521141.67890.04711", "(255)952114167890904711", "7.12"},
		{"urn:epc:id:itip:9521141.012345.04.04.32a%2Fb", "(8006)095211411234540404(21)32a/b", "7.15"},
	} {
		a, err := Parse(c.uri)
		require.NoError(t, err, c.section)
		require.Equal(t, c.elements, a.KeyText(), c.section)
		require.Equal(t, c.uri, a.PureIdentityURI(), c.section)
		b, err := Parse(c.elements)
		require.NoError(t, err, c.section)
		require.Equal(t, a.Key(), b.Key(), c.section)
	}
}

// TestDistinctSerials: leading zeros and letter case make other things; the prefix length, the
// filter and the encoding do not (TDS 2.3 12.3.1).
func TestDistinctSerials(t *testing.T) {
	seen := map[Key]string{}
	for _, serial := range []string{"34", "034", "0034", "0", "00", "abc", "ABC", "3.4", "3.4.", "18446744073709551615",
		"18446744073709551616"} {
		e, err := Parse("(01)09521141123454(21)" + serial)
		require.NoError(t, err)
		require.Equal(t, serial, e.Serial())
		require.NotContains(t, seen, e.Key(), "%s and %s", serial, seen[e.Key()])
		seen[e.Key()] = serial
	}
	for _, uri := range []string{"urn:epc:id:sgtin:9521141.012345.34", "urn:epc:id:sgtin:952114112345.0.34",
		"urn:epc:tag:sgtin-96:7.95211411.02345.34"} {
		e, err := Parse(uri)
		require.NoError(t, err)
		require.Equal(t, "34", seen[e.Key()], uri)
	}
}

func TestBracketsInSerial(t *testing.T) {
	plain, err := Parse("https://id.gs1.org/01/09521141123454/21/a%28b%29")
	require.NoError(t, err)
	require.Equal(t, "(01)09521141123454(21)a(b)", plain.KeyText())
	// As an element string this serial would read as serial a and lot b.
	tricky, err := Parse("https://id.gs1.org/01/09521141123454/21/a%2810%29b")
	require.NoError(t, err)
	require.Equal(t, "https://id.gs1.org/01/09521141123454/21/a%2810%29b", tricky.KeyText())
	read, err := Parse("(01)09521141123454(21)a(10)b")
	require.NoError(t, err)
	require.Equal(t, "a", read.Serial())
}

func TestInputForms(t *testing.T) {
	const want = "(01)09521141123454(21)32a/b"
	for _, in := range []string{
		"(01)09521141123454(21)32a/b(17)261231(10)LOT",
		"(10)LOT(21)32a/b(01)09521141123454",
		"urn:epc:id:sgtin:9521141.012345.32a%2fb",
		"urn:epc:id:sgtin:9521141.012345.%33%32a%2Fb", // any escape of the set may be undone, TDS 2.3 14.3.2
		"urn:epc:tag:[att=x01][umi=1][xpc=x0004]:sgtin-198:1.9521141.012345.32a%2Fb",
		"HTTPS://Books.Umberhithe.example:8443/a/00/b/01/09521141123454/22/V/10/L/21/32a%2Fb/?17=261231&linkType=all#top",
		"https://id.gs1.org/01/09521141123454/21/%33%32a%2fb",
	} {
		e, err := Parse(in)
		require.NoError(t, err, in)
		require.Equal(t, want, e.KeyText(), in)
	}
	for in, reason := range map[string]string{
		"(01)09521141123454(21)1(00)106141412345678908":            "two keys",
		"(01)09521141123454(21)1(21)2":                             "stands twice",
		"(01)09521141123454(235)1":                                 "UPUI",
		"(01)9521141123454(21)1":                                   "14 digits, not 13",
		"(10)LOT":                                                  "no key",
		"(01)09521141123454(21)":                                   "(21) has no value",
		"(0109521141123454":                                        "in brackets",
		"https://id.gs1.org/01/09521141123454/21/":                 "/21/ has no value",
		"https://id.gs1.org/01/09521141123454/21/1/10/L":           "cannot stand in the path",
		"https://id.gs1.org/01/09521141123454":                     "names a class",
		"https://id.gs1.org/gtin/09521141123454/ser/1":             "short name",
		"https://id.gs1.org/01/09521141123454/21/%4":               "cut off",
		"https://id.gs1.org/":                                      "holds no key",
		"https:///01/09521141123454/21/1":                          "no host name",
		"urn:epc:idpat:sgtin:9521141.012345.*":                     "class or pattern",
		"urn:epc:class:lgtin:9521141.012345.L":                     "class or pattern",
		"urn:epc:id:upui:9521141.089456.51":                        "not decoded",
		"urn:epc:id:sgtin":                                         "company prefix",
		"urn:epc:id:nothing:1.2.3":                                 "no EPC identity scheme",
		"urn:isbn:9788175257665":                                   "not an EPC URI",
		"urn:epc:tag:cpi-var:0.9521141.A.1":                        "not decoded",
		"urn:epc:tag:[umi=1][att=x01]:sgtin-96:1.9521141.012345.1": "comes too late",
		"urn:epc:tag:[foo=1]:sgtin-96:1.9521141.012345.1":          "no control field",
		"urn:epc:tag:[att=xZ]:sgtin-96:1.9521141.012345.1":         "hexadecimal digits",
		"urn:epc:tag:[att=x01]sgtin-96:1.9521141.012345.1":         "colon is missing",
		"urn:epc:tag:[att=x01":                                     "] is missing",
		"urn:epc:raw:96.123456":                                    "deprecated",
		"urn:epc:raw:96.x12":                                       "24 hexadecimal digits",
		"urn:epc:raw:97.x12":                                       "whole hexadecimal digits",
		"urn:epc:raw:32.xAFI.x12345678":                            "Application Family Identifier",
		"urn:epc:raw:32.x1234567G":                                 "'G' at place 8",
		"3B" + strings.Repeat("0", 30):                             "ADI-var, which is not decoded",
		"3D" + strings.Repeat("0", 30):                             "CPI-var, which is not decoded",
		"3A" + strings.Repeat("0", 30):                             "GDTI-113",
		"0x":                                                       "too few",
		strings.Repeat("30", 63):                                   "at most 496 bits",
		strings.Repeat("x", 5000):                                  "longer than any form",
		"ключ":                                                     "'к' at place 1",
		"3C06C5FFF64313E480000002":                                 "reference 10185",
		"FB342CDF795211411234538182":                               "month 6 has 30 days",
		"urn:epc:id:gid:1.2":                                       "three numbers",
		"urn:epc:id:usdod:CAGEI.1":                                 "other than I and O",
		"urn:epc:id:usdod:CAGEY.01":                                "leading zeros",
		"urn:epc:id:itip:9521141.012345.1.02.9":                    "two digits each",
		"urn:epc:id:cpi:9521141.5PQ7":                              "no serial",
		"(8010)95211415PQ7":                                        "names a class",
		"(8010)95211415PQ7(8011)01":                                "leading zeros",
		"(8004)952":                                                "Company Prefix",
		"(8006)095211411234540102":                                 "names a class",
		"(255)9521141678909":                                       "no serial",
		"(255)95211416789091x":                                     "1 to 12 digits",
	} {
		_, err := Parse(in)
		require.ErrorContains(t, err, reason, in)
		require.LessOrEqual(t, len(err.Error()), 800)
	}
}

func TestProtocolControl(t *testing.T) {
	bits, err := hex.DecodeString(hexSGTIN96)
	require.NoError(t, err)

	// Length 6 words, toggle 0.
	e, err := ParseWithPC(bits, 0x3000)
	require.NoError(t, err)
	require.Equal(t, SGTIN96, e.Scheme())

	// Toggle 1, AFI A1 (a product by ISO 17367): the bits look like an EPC and are none.
	e, err = ParseWithPC(bits, 0x31A1)
	require.NoError(t, err)
	require.True(t, e.IsRaw())
	require.Equal(t, "urn:epc:raw:96.xA1.x"+hexSGTIN96, e.KeyText())
	same, err := Parse(e.KeyText())
	require.NoError(t, err)
	require.Equal(t, e.Key(), same.Key())
	withTag, err := ParseTag(bits, 0x31A1, true)
	require.NoError(t, err)
	require.Equal(t, e.Key(), withTag.Key())

	// The length field drops what a reader sent beyond the EPC.
	longer := append(append([]byte(nil), bits...), 0xDE, 0xAD)
	e, err = ParseWithPC(longer, 0x31A1)
	require.NoError(t, err)
	require.Equal(t, "urn:epc:raw:96.xA1.x"+hexSGTIN96, e.KeyText())
	// A tag with an extended PC word counts that in the field too.
	e, err = ParseWithPC(bits, 0x3800)
	require.NoError(t, err)
	require.Equal(t, SGTIN96, e.Scheme())

	_, err = ParseWithPC(bits, 0x2800)
	require.ErrorContains(t, err, "needs 96 bits and only 80 are there")
	_, err = ParseTag(bits, 0x0000, true)
	require.ErrorContains(t, err, "PC word 0000 says that the tag holds no EPC")
	_, err = ParseTag(nil, 0x3000, true)
	require.Error(t, err)
	_, err = ParseTag(nil, 0, false)
	require.Error(t, err)
}

func TestRawTags(t *testing.T) {
	bits, err := hex.DecodeString(hexRaw)
	require.NoError(t, err)
	_, err = ParseBytes(bits)
	require.ErrorIs(t, err, ErrNotGS1)
	e, err := ParseTag(bits, 0, false)
	require.NoError(t, err)
	require.Equal(t, "urn:epc:raw:96.x"+hexRaw, e.KeyText())
	require.Equal(t, hexRaw, e.Hex())
	require.Equal(t, Raw(bits, 96).Key(), e.Key())
	_, reversible := e.Key().Text()
	require.False(t, reversible)
	require.Equal(t, HashedKey(e.KeyText()), e.Key())
	for _, none := range []string{e.TagURI(), e.PureIdentityURI(), e.DigitalLink(), e.GTIN14Text(), e.Serial(), e.ElementString()} {
		require.Empty(t, none)
	}
	_, hasFilter := e.Filter()
	require.False(t, hasFilter)

	// A GS1 header with contents that break the standard is an error, not a raw tag: the tag was
	// written wrongly.
	_, err = ParseHex("307C00000000000000001A85", 0, false)
	require.ErrorContains(t, err, "partition value")
	require.NotErrorIs(t, err, ErrNotGS1)
	_, err = ParseHex("3B7C00000000000000001A85", 0, false)
	require.ErrorIs(t, err, ErrUnsupported)

	// Bits that are no whole digits are filled up.
	require.Equal(t, "urn:epc:raw:12.xABC", Raw([]byte{0xAB, 0xCF}, 12).KeyText())
	require.Equal(t, "urn:epc:raw:12.xABC", Raw([]byte{0xAB, 0xCF}, 10).KeyText())
	require.Equal(t, "urn:epc:raw:16.xABCF", Raw([]byte{0xAB, 0xCF}, 99).KeyText())
	require.True(t, Raw(nil, 96).IsZero())
	require.True(t, Raw(nil, 96).Key().IsZero())

	// A raw URI around a GS1 EPC is that EPC: one thing, one identity.
	e, err = Parse("urn:epc:raw:96.x" + hexSGTIN96)
	require.NoError(t, err)
	require.Equal(t, SGTIN96, e.Scheme())
}

func TestEncodeRefusals(t *testing.T) {
	id, err := Parse("(01)09521141123454(21)32a/b")
	require.NoError(t, err)
	raw := Raw([]byte{0xE2, 0x80}, 16)
	for _, c := range []struct {
		id     EPC
		scheme Scheme
		opt    Options
		reason string
	}{
		{id, SGTIN96, Options{PrefixDigits: 7}, "use SGTIN-198 or SGTIN+"},
		{id, SGTIN198, Options{}, "set PrefixDigits"},
		{id, SGTIN198, Options{PrefixDigits: 5}, "6 to 12"},
		{id, SGTIN198, Options{PrefixDigits: 7, Filter: 8}, "0 to 7 exist"},
		{id, SGTIN, Options{}, "no tag encoding"},
		{id, SSCC96, Options{PrefixDigits: 7}, "SSCC-96 holds no SGTIN"},
		{id, SGTINPlus, Options{Method: MethodNumeric}, "cannot hold 'a'"},
		{id, SGTINPlus, Options{Method: 99}, "no method"},
		{id, DSGTINPlus, Options{}, "needs a prioritised date"},
		{id, DSGTINPlus, Options{DateAI: "17", Date: "261301"}, "month of the date is 13"},
		{id, DSGTINPlus, Options{DateAI: "17", Date: "260431"}, "month 4 has 30 days"},
		{id, DSGTINPlus, Options{DateAI: "17", Date: "2604"}, "six digits"},
		{id, SGTINPlusPlus, Options{}, "the host name is empty"},
		{id, SGTINPlusPlus, Options{Hostname: "quay side"}, "outside the GS1 character set"},
		{id, SGTINPlusPlus, Options{Hostname: "quay?side"}, "cannot stand in one"},
		{id, SGTINPlusPlus, Options{Hostname: strings.Repeat("a", 64)}, "at most 63"},
		{raw, SGTIN96, Options{PrefixDigits: 7}, "holds no raw"},
		{EPC{}, SGTIN96, Options{PrefixDigits: 7}, "holds no none"},
	} {
		_, err := Encode(c.id, c.scheme, c.opt)
		require.ErrorContains(t, err, c.reason)
	}
	for _, c := range []struct {
		gtin   uint64
		prefix int
		serial uint64
		filter int
		reason string
	}{
		{9521141123455, 7, 1, 1, "must be 4, not 5"},
		{952114112345400, 7, 1, 1, "more than 14 digits"},
		{9521141123454, 13, 1, 1, "6 to 12"},
		{9521141123454, 7, 1 << 38, 1, "more than 274877906943"},
		{9521141123454, 7, 1, -1, "0 to 7 exist"},
		{200000000004, 7, 1, 1, "restricted circulation"},
	} {
		_, err := EncodeSGTIN96(c.gtin, c.prefix, c.serial, c.filter)
		require.ErrorContains(t, err, c.reason)
	}
	_, err = NewSGTIN(9521141123454, "")
	require.ErrorContains(t, err, "empty")
}

func TestEncodeKeepsWhatTheTagKnows(t *testing.T) {
	dated, err := Parse("FC342CDE795211411234538566CB0AFC525065F1876F0D996D80")
	require.NoError(t, err)
	plus, err := Encode(dated, DSGTINPlus, Options{Filter: 1})
	require.NoError(t, err)
	require.Equal(t, "https://id.gs1.org/01/79521141123453/21/32a%2Fb?17=220630", plus.TagDigitalLink())
	again, err := Encode(dated, DSGTINPlusPlus, Options{Filter: 3})
	require.NoError(t, err)
	require.Equal(t, dated.Hex(), again.Hex())

	narrow, err := Parse("urn:epc:id:sgtin:9521141.012345.6789")
	require.NoError(t, err)
	tag, err := Encode(narrow, SGTIN96, Options{Filter: 1})
	require.NoError(t, err)
	require.Equal(t, hexSGTIN96, tag.Hex())
}

func TestDescribe(t *testing.T) {
	out, err := json.Marshal(Describe("3016451FD40C0E4000001A85"))
	require.NoError(t, err)
	require.JSONEq(t, `{
		"input": "3016451FD40C0E4000001A85", "scheme": "SGTIN-96", "hex": "3016451FD40C0E4000001A85",
		"tag_uri": "urn:epc:tag:sgtin-96:0.9521141.012345.6789", "pure_identity_uri": "urn:epc:id:sgtin:9521141.012345.6789",
		"digital_link": "https://id.gs1.org/01/09521141123454/21/6789", "key": "(01)09521141123454(21)6789",
		"gtin14": "09521141123454", "filter": 0}`, string(out))

	out, err = json.Marshal(Describe("(01)09521141123455(21)1"))
	require.NoError(t, err)
	require.JSONEq(t, `{"input": "(01)09521141123455(21)1", "error": {
		"reason": "the check digit of the GTIN must be 4, not 5", "section": "GS1 General Specifications 7.9"}}`, string(out))

	rep := Describe(hexRaw)
	require.Equal(t, "urn:epc:raw:96.x"+hexRaw, rep.Key)
	require.Equal(t, "raw", rep.Scheme)
	require.Contains(t, rep.Error.Reason, "header E2")
}

func TestErrorsDoNotFloodLogs(t *testing.T) {
	long := "urn:epc:id:sgtin:" + strings.Repeat("ü", 1000)
	_, err := Parse(long)
	var why *Error
	require.ErrorAs(t, err, &why)
	require.Equal(t, maxInput+1, len([]rune(why.Input)))
	require.Less(t, len(err.Error()), 600)
	_, err = Parse("\xff\xfe")
	require.ErrorAs(t, err, &why)
	require.Equal(t, "\uFFFD\uFFFD", why.Input)
}

func TestKeyBytes(t *testing.T) {
	e, err := Parse(hexSGTIN96)
	require.NoError(t, err)
	b, err := e.Key().AppendBinary([]byte{1})
	require.NoError(t, err)
	require.Equal(t, "01"+"100008a8d03c097e"+"0000000000001a85", hex.EncodeToString(b))
	_, err = KeyFromBytes(b)
	require.Error(t, err)
	require.Equal(t, "(01)09521141123454(21)6789", e.Key().String())
	gtin, ok := e.Key().GTIN14()
	require.True(t, ok)
	require.Equal(t, uint64(9521141123454), gtin)
	_, ok = HashedKey("(01)09521141123454(21)A").GTIN14()
	require.False(t, ok)
}

func TestSchemeNames(t *testing.T) {
	for s := Scheme(1); s < numSchemes; s++ {
		require.NotEmpty(t, s.String())
		back, ok := SchemeByName(strings.ToLower(s.String()))
		require.True(t, ok)
		require.Equal(t, s, back)
		require.NotEqual(t, NoScheme, s.Family())
		require.NotEmpty(t, schemes[s].section)
	}
	_, ok := SchemeByName("SGTIN-64")
	require.False(t, ok)
	require.Equal(t, "none", numSchemes.String())
	require.Equal(t, NoScheme, numSchemes.Family())
}

// TestHostTables holds the tables of TDS 2.3 14.5.16 to their printed first and last rows.
func TestHostTables(t *testing.T) {
	require.Len(t, hostPair[0], 128)
	require.Len(t, hostPair[1], 117)
	require.Len(t, hostPair[2], 32)
	for _, c := range []struct {
		row, place int
		text       string
	}{{0, 0, ".ac"}, {0, 0b0100100, ".ca"}, {0, 0b1001110, ".gf"}, {0, 0b1111111, ".li"}, {1, 0, ".lk"}, {1, 0b0011010, ".mx"},
		{1, 0b1000100, ".sh"}, {1, 0b1110100, ".zw"}, {2, 0, ".com.au"}, {2, 0b0011001, ".co.uk"},
		{2, 0b0011111, ".gov.cn"}, {3, 0, ".tech"}} {
		require.Equal(t, c.text, hostPair[c.row][c.place])
	}
}

func TestSerials(t *testing.T) {
	for in, want := range map[string]string{
		"(01)09521141123454(21)A-7":         "A-7",
		"(8006)095211411234540102(21)981":   "981",
		"(414)9521141123454(254)5678":       "5678",
		"(414)9521141123454":                "",
		"(414)9521141123454(254)0":          "", // 0 means no extension, TDS 2.3 6.3.3
		"(8003)095211411234540034":          "0034",
		"(253)9521141123454006847":          "006847",
		"(255)952114167890904711":           "04711",
		"(8010)95211415PQ7/Z43(8011)12345":  "12345",
		"urn:epc:id:gid:952056.2718.1414":   "1414",
		"urn:epc:id:usdod:CAGEY.5678":       "5678",
		"(00)095201234567891235":            "",
		"(8018)952114112345678906":          "",
		"(8017)952114112345678906":          "",
		"(8004)952114132a/b":                "",
		"urn:epc:raw:16.xE280":              "",
		"(8006)095211411234540102(21)00981": "00981",
	} {
		e, err := Parse(in)
		require.NoError(t, err, in)
		require.Equal(t, want, e.Serial(), in)
		require.Equal(t, e.KeyText(), e.String())
		requireAllForms(t, e)
	}
	a, err := Parse("(414)9521141123454")
	require.NoError(t, err)
	b, err := Parse("urn:epc:id:sgln:9521141.12345.0")
	require.NoError(t, err)
	require.Equal(t, a.Key(), b.Key())
}

// bitString writes fields as {value, width} pairs, to build tags that no encoder of this package
// writes.
func bitString(fields ...[2]uint64) []byte {
	var w bitWriter
	for _, f := range fields {
		w.put(f[0], int(f[1]))
	}
	return w.b
}

// TestHostnames covers host names that the published examples do not.
func TestHostnames(t *testing.T) {
	sscc := [][2]uint64{{0xEF, 8}, {0, 4}, {0x095201234, 36}, {0x567891235, 36}}
	with := func(fields ...[2]uint64) []byte { return bitString(append(sscc[:4:4], fields...)...) }
	code40 := func(a, b, c uint64) [2]uint64 { return [2]uint64{1600*a + 40*b + c + 1, 16} }

	e, err := ParseBytes(with([2]uint64{0, 1}, [2]uint64{4, 6}, code40('X'-'A'+1, 28, 'U'-'A'+1), code40('K'-'A'+1, 0, 0)))
	require.NoError(t, err)
	require.Equal(t, "x.uk", e.Hostname())
	require.Equal(t, "https://x.uk/00/095201234567891235", e.TagDigitalLink())

	// Two groups for a country ending; capitals are the same name.
	e, err = ParseBytes(with([2]uint64{1, 1}, [2]uint64{3, 6}, [2]uint64{'X', 7}, [2]uint64{2, 7}, [2]uint64{0b0011001, 7}))
	require.NoError(t, err)
	require.Equal(t, "x.co.uk", e.Hostname())

	// Legal for the tag, useless in a link: the link is the canonical one.
	for _, host := range []string{"x?", "/x", ".x", ":1"} {
		e, err = ParseBytes(with([2]uint64{1, 1}, [2]uint64{2, 6}, [2]uint64{uint64(host[0]), 7}, [2]uint64{uint64(host[1]), 7}))
		require.NoError(t, err)
		require.Equal(t, host, e.Hostname())
		require.Equal(t, e.DigitalLink(), e.TagDigitalLink())
		requireAllForms(t, e)
		_, err = Encode(e, SSCCPlusPlus, Options{Hostname: host})
		require.ErrorContains(t, err, "cannot stand in one")
	}

	for reason, bits := range map[string][]byte{
		"is empty":                      with([2]uint64{1, 1}, [2]uint64{0, 6}),
		"ends inside a pair":            with([2]uint64{1, 1}, [2]uint64{1, 6}, [2]uint64{0, 7}, [2]uint64{0, 7}),
		"place 127 of row 1":            with([2]uint64{1, 1}, [2]uint64{2, 6}, [2]uint64{1, 7}, [2]uint64{127, 7}),
		"has '\\x04' at place 1":        with([2]uint64{1, 1}, [2]uint64{1, 6}, [2]uint64{4, 7}),
		"bits end inside the host":      with([2]uint64{1, 1}, [2]uint64{20, 6}, [2]uint64{'x', 7}),
		"stands for no characters":      with([2]uint64{0, 1}, [2]uint64{3, 6}, [2]uint64{0, 16}),
		"pad inside its length":         with([2]uint64{0, 1}, [2]uint64{3, 6}, code40(1, 0, 1)),
		"or a character behind it":      with([2]uint64{0, 1}, [2]uint64{1, 6}, code40(1, 0, 1)),
		"bits end inside the host name": with([2]uint64{0, 1}, [2]uint64{9, 6}, code40(1, 1, 1)),
	} {
		_, err := ParseBytes(bits)
		require.ErrorContains(t, err, reason)
	}
}

// TestBrokenPlusTags are contents of "+" schemes that the bits can hold and the standard forbids.
func TestBrokenPlusTags(t *testing.T) {
	gcn := [][2]uint64{{0xF8, 8}, {0, 4}, {0x9521141678909, 52}}
	for reason, bits := range map[string][]byte{
		"the serial is empty":    bitString(gcn[0], gcn[1], gcn[2], [2]uint64{0, 4}, [2]uint64{0, 40}),
		"has 13 digits":          bitString(gcn[0], gcn[1], gcn[2], [2]uint64{13, 4}, [2]uint64{0, 60}),
		"more than its 1 digits": bitString(gcn[0], gcn[1], gcn[2], [2]uint64{1, 4}, [2]uint64{10, 4}),
		"end inside the serial":  bitString(gcn[0], gcn[1], gcn[2], [2]uint64{12, 4}, [2]uint64{0, 8}),
		"leading zeros": bitString([2]uint64{0xF0, 8}, [2]uint64{0, 4}, [2]uint64{0x952114F, 28},
			[2]uint64{2, 4}, [2]uint64{5, 7}),
		"the first digit of the GRAI": bitString([2]uint64{0xF1, 8}, [2]uint64{0, 4},
			[2]uint64{0x79521141123453, 56}, [2]uint64{1, 8}, [2]uint64{1, 4}),
		"delimiter E and the terminator": bitString([2]uint64{0xFA, 8}, [2]uint64{0, 4}, [2]uint64{0x9521A, 20}),
		"more than 30 characters": bitString([2]uint64{0xFA, 8}, [2]uint64{0, 4},
			[2]uint64{0x9521111111111111, 64}, [2]uint64{0x1111111111111111, 64}, [2]uint64{0xF, 4}),
		"begin with the digits": bitString([2]uint64{0xFA, 8}, [2]uint64{0, 4}, [2]uint64{0x952F, 16}),
		"end inside the GIAI":   bitString([2]uint64{0xFA, 8}, [2]uint64{0, 4}, [2]uint64{0x9521, 16}),
		"year 100": bitString([2]uint64{0xFB, 8}, [2]uint64{0, 4}, [2]uint64{4, 4},
			[2]uint64{100, 7}, [2]uint64{1, 4}, [2]uint64{1, 5}, [2]uint64{0, 64}),
		"end inside the date": bitString([2]uint64{0xFB, 8}, [2]uint64{0, 4}, [2]uint64{4, 4}),
		"outside the GS1 character set": bitString([2]uint64{0xF0, 8}, [2]uint64{0, 4}, [2]uint64{0x952114E, 28},
			[2]uint64{4, 3}, [2]uint64{1, 5}, [2]uint64{'a', 7}),
		"too few for an EPC":          nil,
		"end inside the GTIN":         {0xF7, 0x10},
		"end inside the filter value": {0xF7},
		"number of more than its 1 digit": bitString([2]uint64{0xF7, 8}, [2]uint64{0, 4},
			[2]uint64{0x09521141123454, 56}, [2]uint64{0, 3}, [2]uint64{1, 5}, [2]uint64{10, 4}),
	} {
		_, err := ParseBytes(bits)
		require.ErrorContains(t, err, reason)
	}
	// The 31st digit is refused, 30 are not.
	_, err := ParseBytes(bitString([2]uint64{0xFA, 8}, [2]uint64{0, 4}, [2]uint64{0x9521111111111111, 64},
		[2]uint64{0x11111111111111F0, 64}))
	require.NoError(t, err)
}

func TestParseHexWithPC(t *testing.T) {
	e, err := ParseHex("0x"+hexSGTIN96, 0x3000, true)
	require.NoError(t, err)
	require.Equal(t, "(01)09521141123454(21)6789", e.KeyText())
	_, err = ParseHex("303", 0x3000, true)
	require.ErrorContains(t, err, "odd number")
	_, err = ParseHex("30G", 0, false)
	require.ErrorContains(t, err, "place 3")
	e, err = ParseHex("E28", 0, false)
	require.NoError(t, err)
	require.Equal(t, "urn:epc:raw:12.xE28", e.KeyText())
}
