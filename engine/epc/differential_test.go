package epc

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// referenceVersion pins the library that the results are compared with.
const referenceVersion = "1.4.1"

// TestAgainstEPCTDS compares a few thousand seeded values with the npm package epc-tds, an
// independent codec of the older binary schemes. It is skipped where node, npm or the package
// registry cannot be reached.
func TestAgainstEPCTDS(t *testing.T) {
	if testing.Short() {
		t.Skip("-short: the comparison installs an npm package")
	}
	for _, tool := range []string{"node", "npm"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("%s is not installed, so there is nothing to compare with", tool)
		}
	}
	dir := t.TempDir()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	install := exec.CommandContext(ctx, "npm", "install", "--prefix", dir, "--no-audit", "--no-fund", "--ignore-scripts",
		"--fetch-retries=0", "--fetch-timeout=15000", "epc-tds@"+referenceVersion)
	install.Dir = dir
	if out, err := install.CombinedOutput(); err != nil {
		t.Skipf("npm cannot install epc-tds %s, so there is nothing to compare with: %v\n%s", referenceVersion, err, out)
	}
	script, err := os.ReadFile("testdata/epc-tds.cjs")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "run.cjs"), script, 0o600))

	const seed, perScheme = 952, 300
	r := rand.New(rand.NewPCG(seed, seed))
	var cases []EPC
	var input bytes.Buffer
	for s := SGTIN96; s < numSchemes; s++ {
		switch s {
		case GSRNP96, USDOD96, ITIP110, ITIP212:
			continue // not in the library
		}
		if f := schemes[s].form; f != formPartition && f != formFixed {
			continue
		}
		for range perScheme {
			uri := randomTagURI(r, s)
			e, err := Parse(uri)
			require.NoError(t, err, uri)
			require.Equal(t, uri, e.TagURI())
			cases = append(cases, e)
			line, err := json.Marshal(map[string]string{"hex": e.Hex(), "tag_uri": uri})
			require.NoError(t, err)
			input.Write(append(line, '\n'))
		}
	}
	node := exec.CommandContext(ctx, "node", "run.cjs")
	node.Dir, node.Stdin = dir, &input
	out, err := node.Output()
	require.NoError(t, err)

	seen := map[string]int{}
	lines := bufio.NewScanner(bytes.NewReader(out))
	for _, e := range cases {
		require.True(t, lines.Scan(), "one answer for each value")
		var got struct {
			TagURI string `json:"tag_uri"`
			IDURI  string `json:"id_uri"`
			Hex    string
		}
		require.NoError(t, json.Unmarshal(lines.Bytes(), &got))
		bits, _ := e.Bits()
		for what, pair := range map[string][2]string{
			"tag URI of hex": {e.TagURI(), got.TagURI},
			"id URI of hex":  {e.PureIdentityURI(), got.IDURI},
			"hex of tag URI": {fmt.Sprintf("%X", bits), strings.ToUpper(got.Hex)},
		} {
			if pair[0] == pair[1] {
				continue
			}
			known := knownDifference(e, what, pair[0], pair[1])
			if known == "" {
				t.Errorf("%s: %s\n here    %s\n epc-tds %s", e.Scheme(), what, pair[0], pair[1])
				continue
			}
			seen[known]++
		}
	}
	for reason, n := range seen {
		t.Logf("%d known differences: %s", n, reason)
	}
	t.Logf("compared %d values, seed %d", len(cases), seed)
}

// knownDifference names why epc-tds differs on a value, with the section of the standard that
// decides, or returns "". Where epc-tds prints a URI the difference must be that one and nothing
// else: got is what is left when it is undone.
func knownDifference(e EPC, what, want, got string) string {
	f := e.Scheme().Family()
	noReference := e.prefix == 12 && (f == SGLN || f == GRAI || f == GDTI || f == SGCN)
	escaped := strings.Contains(e.TagURI(), "%")
	if what != "hex of tag URI" {
		company, ref := companyAndReference(e)
		like := want
		if escaped {
			like, _ = url.PathUnescape(like)
		}
		if noReference {
			like = strings.Replace(like, company+"..", company+".0.", 1)
		}
		if f == GSRN {
			like = strings.Replace(like, company+"."+ref, company+"."+strings.TrimLeft(ref, "0"), 1)
		}
		if like != got {
			return ""
		}
	}
	switch {
	case noReference:
		return "a company prefix of 12 digits leaves the reference empty; epc-tds writes a 0 and reads no empty " +
			"one (TDS 2.3 14.3.3, 14.4.3)"
	case f == GSRN && what != "hex of tag URI":
		return "the service reference keeps its leading zeros; epc-tds drops them (TDS 2.3 14.4.3)"
	case f == SGCN && what == "hex of tag URI" && strings.HasPrefix(e.Serial(), "0"):
		return "the serial of a coupon keeps its leading zeros; epc-tds drops them (TDS 2.3 14.3.6)"
	case escaped:
		return "characters that a URI must escape are escaped, and unescaped before they are encoded; epc-tds does " +
			"neither (TDS 2.3 5, Annex A)"
	case what == "hex of tag URI" && strings.ContainsAny(e.serialText(), ".:"):
		return "full stop and colon are legal characters of a serial; epc-tds splits the URI there (TDS 2.3 5, GS3A3Char)"
	}
	return ""
}

// companyAndReference returns the first two fields of the pure identity URI.
func companyAndReference(e EPC) (company, ref string) {
	fields := strings.SplitN(e.PureIdentityURI(), ":", 5)
	parts := strings.SplitN(fields[4], ".", 3)
	return parts[0], parts[1]
}

// randomTagURI builds a valid tag URI by the grammar, without help of the code under test.
func randomTagURI(r *rand.Rand, s Scheme) string {
	digits := func(n int) string {
		var b strings.Builder
		for range n {
			b.WriteByte('0' + byte(r.IntN(10)))
		}
		return b.String()
	}
	text := func(limit int) string {
		var b strings.Builder
		for range 1 + r.IntN(limit) {
			c := chars82[r.IntN(len(chars82))]
			if strings.IndexByte(`"%&/<>?`, c) >= 0 {
				fmt.Fprintf(&b, "%%%02X", c)
			} else {
				b.WriteByte(c)
			}
		}
		return b.String()
	}
	number := func(bits int) uint64 { return r.Uint64N(1<<bits) >> r.IntN(bits) }
	prefix := 6 + r.IntN(7)
	company := "952" + digits(prefix-3) // a GS1 Prefix that can form an SGTIN
	head := fmt.Sprintf("urn:epc:tag:%s:%d.", strings.ToLower(s.String()), r.IntN(8))
	switch s {
	case SGTIN96:
		return fmt.Sprintf("%s%s.%s.%d", head, company, digits(13-prefix), number(38))
	case SGTIN198:
		return fmt.Sprintf("%s%s.%s.%s", head, company, digits(13-prefix), text(20))
	case SSCC96, GSRN96:
		return fmt.Sprintf("%s%s.%s", head, company, digits(17-prefix))
	case SGLN96, GDTI96:
		return fmt.Sprintf("%s%s.%s.%d", head, company, digits(12-prefix), number(41))
	case SGLN195:
		return fmt.Sprintf("%s%s.%s.%s", head, company, digits(12-prefix), text(20))
	case GDTI174:
		return fmt.Sprintf("%s%s.%s.%s", head, company, digits(12-prefix), text(17))
	case GRAI96:
		return fmt.Sprintf("%s%s.%s.%d", head, company, digits(12-prefix), number(38))
	case GRAI170:
		return fmt.Sprintf("%s%s.%s.%s", head, company, digits(12-prefix), text(16))
	case GIAI96:
		return fmt.Sprintf("%s%s.%d", head, company, number([]int{62, 58, 55, 52, 48, 45, 42}[prefix-6]))
	case GIAI202:
		return fmt.Sprintf("%s%s.%s", head, company, text(30-prefix))
	case CPI96:
		return fmt.Sprintf("%s%s.%d.%d", head, company, r.Uint64N(pow10[15-prefix]), number(31))
	case SGCN96:
		return fmt.Sprintf("%s%s.%s.%s", head, company, digits(12-prefix), digits(1+r.IntN(12)))
	case GID96:
		return fmt.Sprintf("urn:epc:tag:gid-96:%d.%d.%d", number(28), number(24), number(36))
	}
	panic("no generator for " + s.String())
}
