package epc

import (
	"encoding/hex"
	"encoding/json"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// encoding is one published or computed encoding in every form it has. testdata/encodings.json
// names the source of each.
type encoding struct {
	Scheme          string
	Hex             string
	Bits            int
	TagURI          string `json:"tag_uri"`
	PureIdentityURI string `json:"pure_identity_uri"`
	DigitalLink     string `json:"digital_link"`
	CanonicalLink   string `json:"canonical_digital_link"`
	Hostname        string
	Key             string
	GTIN14          string
	Filter          *int
	AIDCToggle      int                          `json:"aidc_toggle"`
	Date            *struct{ AI, YYMMDD string } `json:"prioritised_date"`
	Source, Note    string
}

func readFixture[T any](t testing.TB, name string) (out []T) {
	t.Helper()
	data, err := os.ReadFile("testdata/" + name)
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(data, &out))
	require.NotEmpty(t, out)
	return out
}

func TestPublishedEncodings(t *testing.T) {
	schemesSeen := map[string]bool{}
	for _, c := range readFixture[encoding](t, "encodings.json") {
		schemesSeen[c.Scheme] = true
		t.Run(c.Scheme+"/"+c.Hex, func(t *testing.T) {
			require.NotEmpty(t, c.Source)
			e, err := Parse(c.Hex)
			require.NoError(t, err)
			require.Equal(t, c.Scheme, e.Scheme().String())
			require.Equal(t, c.TagURI, e.TagURI())
			require.Equal(t, c.PureIdentityURI, e.PureIdentityURI())
			require.Equal(t, c.CanonicalLink, e.DigitalLink())
			require.Equal(t, c.GTIN14, e.GTIN14Text())
			require.Equal(t, c.Hostname, e.Hostname())
			require.Equal(t, c.AIDCToggle == 1, e.HasAIDC())
			if c.Key != "" {
				require.Equal(t, c.Key, e.ElementString())
			} else {
				require.Equal(t, c.PureIdentityURI, e.KeyText())
			}
			filter, ok := e.Filter()
			require.Equal(t, c.Filter != nil, ok)
			if ok {
				require.Equal(t, *c.Filter, filter)
			}
			ai, date, ok := e.Date()
			require.Equal(t, c.Date != nil, ok)
			if ok {
				require.Equal(t, *c.Date, struct{ AI, YYMMDD string }{ai, date})
			}
			if c.Hostname != "" || c.Date != nil {
				require.Equal(t, c.DigitalLink, e.TagDigitalLink())
			}
			requireBits(t, c.Hex, c.Bits, e)

			for _, form := range []string{c.TagURI, c.PureIdentityURI, c.DigitalLink, c.CanonicalLink, c.Key, e.KeyText()} {
				if form == "" {
					continue
				}
				same, err := Parse(form)
				require.NoError(t, err, form)
				require.Equal(t, e.Key(), same.Key(), form)
				require.Equal(t, e.KeyText(), same.KeyText(), form)
				requireEncodes(t, c, same)
			}
			if c.TagURI != "" {
				same, err := Parse(c.TagURI)
				require.NoError(t, err)
				requireBits(t, c.Hex, c.Bits, same)
			}
		})
	}
	for s := SGTIN96; s < numSchemes; s++ {
		if !schemesSeen[s.String()] {
			t.Log("no published encoding of", s, "- covered by round trips only")
		}
	}
}

// requireBits compares the first n bits of two hexadecimal forms, whose padding differs by source.
func requireBits(t *testing.T, want string, n int, e EPC) {
	t.Helper()
	if len(want)%2 == 1 {
		want += "0"
	}
	raw, err := hex.DecodeString(want)
	require.NoError(t, err)
	got, bits := e.Bits()
	require.Equal(t, n, bits)
	require.Equal(t, trimBits(raw, n), string(got))
	require.Equal(t, strings.ToUpper(hex.EncodeToString(got)), e.Hex()[:len(got)*2])
	require.Zero(t, len(e.Hex())%4, "whole words")
	require.Empty(t, strings.Trim(e.Hex()[len(got)*2:], "0"))
}

// requireEncodes encodes an identity that came in another form and expects the case's bits. The "+"
// cases use several packing methods, of which the published one must be among those that the
// encoder offers.
func requireEncodes(t *testing.T, c encoding, id EPC) {
	t.Helper()
	scheme, ok := SchemeByName(c.Scheme)
	require.True(t, ok)
	opt := Options{Toggle: c.AIDCToggle == 1, Hostname: c.Hostname}
	if c.Filter != nil {
		opt.Filter = *c.Filter
	}
	if c.Date != nil {
		opt.DateAI, opt.Date = c.Date.AI, c.Date.YYMMDD
	}
	if c.PureIdentityURI != "" && scheme != GID96 && scheme != USDOD96 {
		ref, err := Parse(c.PureIdentityURI)
		require.NoError(t, err)
		opt.PrefixDigits, _ = ref.PrefixDigits()
	}
	var hexes []string
	for m := MethodAuto; m < numMethods; m++ {
		opt.Method = m
		e, err := Encode(id, scheme, opt)
		if err != nil {
			require.NotEqual(t, MethodAuto, m, "%v", err)
			continue
		}
		require.Equal(t, id.Key(), e.Key())
		hexes = append(hexes, e.Hex())
	}
	want, err := Parse(c.Hex)
	require.NoError(t, err)
	require.Contains(t, hexes, want.Hex())
}

// verdict is an input and whether the standard takes it. testdata/verdicts.json names section and
// source of each.
type verdict struct {
	ID, Kind, Input, Expect, Reason, Section, Decoded, Source string
}

func TestVerdicts(t *testing.T) {
	for _, c := range readFixture[verdict](t, "verdicts.json") {
		t.Run(c.ID, func(t *testing.T) {
			e, err := Parse(c.Input)
			// "ambiguous": the standard contradicts itself, and the narrower character set is the
			// one that every other form has. "flag": the bits decode and the check digit in them is
			// wrong; an identity is not guessed.
			if c.Expect != "accept" {
				require.Error(t, err, "%s: %s", c.Reason, e)
				var why *Error
				require.ErrorAs(t, err, &why)
				require.NotEmpty(t, why.Reason)
				if !strings.HasPrefix(c.Section, "(") {
					require.NotEmpty(t, why.Section, why.Reason)
				}
				require.Equal(t, strings.HasPrefix(c.ID, "hex-header-"), why.Kind == NotGS1, why.Reason)
				t.Log(err)
				return
			}
			require.NoError(t, err)
			switch c.Kind {
			case "hex":
				require.Equal(t, c.Decoded, max(e.TagURI(), map[bool]string{true: e.ElementString()}[e.TagURI() == ""]))
			case "tag_uri":
				require.Equal(t, c.Input, e.TagURI())
			case "pure_identity_uri":
				require.Equal(t, c.Input, e.PureIdentityURI())
			}
		})
	}
}

// TestNotATradeItem covers the numbers that look like a GTIN and cannot form an SGTIN (TDS 2.3
// 7.3.3 to 7.3.8).
func TestNotATradeItem(t *testing.T) {
	for _, c := range []struct{ body, section string }{
		{"0123456", "TDS 2.3 7.3.3"},      // RCN-8, 01234565
		{"2000000", "TDS 2.3 7.3.3"},      // RCN-8
		{"020000000000", "TDS 2.3 7.3.5"}, // 0200000000004 without its check digit
		{"200000000001", "TDS 2.3 7.3.5"},
		{"299999999999", "TDS 2.3 7.3.5"},
		{"040000000001", "TDS 2.3 7.3.4"},
		{"000100000000", "TDS 2.3 7.3.4"},
		{"000799999999", "TDS 2.3 7.3.4"},
		{"981000000001", "TDS 2.3 7.3.6"},
		{"984999999999", "TDS 2.3 7.3.6"},
		{"990000000001", "TDS 2.3 7.3.6"},
		{"980000000001", "TDS 2.3 7.3.7"},
		{"977123456700", "TDS 2.3 7.3.8.2"},
	} {
		check, err := CheckDigit(c.body)
		require.NoError(t, err)
		gtin := c.body + string(check)
		gtin14 := strings.Repeat("0", 14-len(gtin)) + gtin

		_, err = ParseGTIN(gtin)
		requireNotGS1(t, err, c.section)
		for _, in := range []string{
			"(01)" + gtin14 + "(21)1",
			"https://id.gs1.org/01/" + gtin14 + "/21/1",
			"urn:epc:id:sgtin:" + gtin14[1:8] + "." + gtin14[:1] + gtin14[8:13] + ".1",
			"F70" + gtin14 + "0110",
		} {
			_, err := Parse(in)
			requireNotGS1(t, err, c.section)
		}
		// The tag keeps its raw bits as identity.
		bits, err := hex.DecodeString("F70" + gtin14 + "01100")
		require.NoError(t, err)
		e, err := ParseTag(bits, 0, false)
		require.NoError(t, err)
		require.True(t, e.IsRaw())
	}
	for _, fine := range []string{"95010939", "614141123452", "9521141890127", "9788175257665", "30000000", "0000800000007"} {
		if fine == "30000000" || fine == "0000800000007" {
			check, err := CheckDigit(fine[:len(fine)-1])
			require.NoError(t, err)
			fine = fine[:len(fine)-1] + string(check)
		}
		_, err := ParseGTIN(fine)
		require.NoError(t, err, fine)
	}
}

func requireNotGS1(t *testing.T, err error, section string) {
	t.Helper()
	require.ErrorIs(t, err, ErrNotGS1)
	var why *Error
	require.ErrorAs(t, err, &why)
	require.Equal(t, section, why.Section)
}

// TestCheckDigits are worked examples; each names its source.
func TestCheckDigits(t *testing.T) {
	for _, c := range []struct {
		digits string
		check  byte
		source string
	}{
		{"629104150021", '3', "gs1.org, manual calculation of a check digit, GTIN-13"},
		{"730001100001", '7', "gs1.se, Så beräknas kontrollsiffran, GTIN-13"},
		{"890400021003", '7', "gs1india.org, check digit page, GTIN-13"},
		{"4098765000022", '3', "support note quoting the gs1.org table, GTIN-14"},
		{"8061414112345", '8', "TDS 1.x E.3, GTIN-14"},
		{"0950600013435", '2', "TDS 2.3 E.3 p.356, GTIN-14"},
		{"7952114112345", '3', "TDS 2.3 E.3 p.356, GTIN-14"},
		{"9501093", '9', "TDS 2.3 7.3.2, GTIN-8 95010939"},
		{"61414112345", '2', "TDS 2.3 7.3.1, GTIN-12 614141123452"},
		{"952114189012", '7', "TDS 2.3 7.3.1, GTIN-13"},
		{"978817525766", '5', "TDS 2.3 7.3.8.1, ISBN-13"},
		{"10614141234567890", '8', "TDS 1.x E.3, SSCC"},
		{"09520123456789123", '5', "TDS 2.3 E.3 p.357, SSCC"},
		{"19521141234567890", '0', "TDS 2.3 7.4, SSCC"},
		{"952114112345", '4', "TDS 2.3 7.5 to 7.10, GLN, GRAI, GDTI"},
		{"95211411234567890", '6', "TDS 2.3 7.8, GSRN"},
		{"0061414112345", '2', "computed: zeros on the left change nothing"},
	} {
		got, err := CheckDigit(c.digits)
		require.NoError(t, err)
		require.Equal(t, string(c.check), string(got), c.source)
		require.Equal(t, uint64(c.check-'0'), checkOf(numeral(c.digits).lo), c.source)
	}
	// The known weakness (computed): neighbours that differ by 5 can change places unnoticed.
	a, _ := CheckDigit("9521141150")
	b, _ := CheckDigit("9521141105")
	require.Equal(t, a, b)

	for _, bad := range []string{"", "12a", "１２"} {
		_, err := CheckDigit(bad)
		require.Error(t, err)
	}
}

func TestParseGTIN(t *testing.T) {
	for in, want := range map[string]uint64{
		"95010939":       95010939,      // TDS 2.3 7.3.2
		"614141123452":   614141123452,  // TDS 2.3 7.3.1
		"9521141890127":  9521141890127, // TDS 2.3 7.3.1
		"79521141123453": 79521141123453,
	} {
		got, err := ParseGTIN(in)
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
	for in, reason := range map[string]string{
		"9521141890128": "must be 7, not 8",
		"952114189012":  "must be", // the check digit is missing, so the last digit is taken for it
		"952114189012x": "'x' at place 13",
		"1":             "8, 12, 13 or 14 digits, not 1",
		"":              "8, 12, 13 or 14 digits, not 0",
	} {
		_, err := ParseGTIN(in)
		require.ErrorContains(t, err, reason)
	}
}
