package epc

import "strings"

// Scheme names how an identity is written. The schemes without a size (SGTIN, SSCC, ...) are
// identities that came from a URI, an element string or a Digital Link and hold no tag encoding.
type Scheme uint8

// The schemes. Names follow TDS 2.3 Table 14-1; PlusPlus is the standard's "++".
const (
	NoScheme Scheme = iota
	RawBits
	SGTIN
	SSCC
	SGLN
	GRAI
	GIAI
	GSRN
	GSRNP
	GDTI
	CPI
	SGCN
	ITIP
	GID
	USDOD
	SGTIN96
	SGTIN198
	SGTINPlus
	SGTINPlusPlus
	DSGTINPlus
	DSGTINPlusPlus
	SSCC96
	SSCCPlus
	SSCCPlusPlus
	SGLN96
	SGLN195
	SGLNPlus
	SGLNPlusPlus
	GRAI96
	GRAI170
	GRAIPlus
	GRAIPlusPlus
	GIAI96
	GIAI202
	GIAIPlus
	GIAIPlusPlus
	GSRN96
	GSRNPlus
	GSRNPlusPlus
	GSRNP96
	GSRNPPlus
	GSRNPPlusPlus
	GDTI96
	GDTI174
	GDTIPlus
	GDTIPlusPlus
	CPI96
	CPIPlus
	CPIPlusPlus
	SGCN96
	SGCNPlus
	SGCNPlusPlus
	ITIP110
	ITIP212
	ITIPPlus
	ITIPPlusPlus
	GID96
	USDOD96
	numSchemes
)

// form says how the bits of a scheme are laid out.
type form uint8

const (
	formNone      form = iota // no bits: an identity only
	formPartition             // header, filter, partition, company prefix, reference, serial
	formPlus                  // header, +AIDC toggle, filter, values of the AIs
	formPlusPlus              // as formPlus, then a host name
	formFixed                 // GID-96, USDOD-96: a layout of their own
)

// serialForm says how a partitioned scheme holds what follows the reference.
type serialForm uint8

const (
	serialNone    serialForm = iota
	serialZeros              // fixed zero bits
	serialInteger            // TDS 2.3 14.4.1
	serialString             // 7-bit characters, TDS 2.3 14.4.2
	serialNumeric            // Numeric String: a decimal with 1 in front, TDS 2.3 14.4.6
)

// schemeInfo is one row of the scheme table.
type schemeInfo struct {
	name    string
	family  Scheme
	form    form
	header  byte
	bits    int // total, of the fixed-size schemes
	keyBits int // company prefix and reference together, of the partitioned schemes
	serial  serialForm
	serBits int
	section string
	urn     string // the scheme's name in a tag URI
}

// schemes is Table 14-1 with the layouts of TDS 2.3 14.6.
var schemes = [numSchemes]schemeInfo{
	NoScheme: {name: "none"},
	RawBits:  {name: "raw", family: RawBits, section: "TDS 2.3 15.2.1"},
	SGTIN:    {name: "SGTIN", family: SGTIN, section: "TDS 2.3 6.3.1"},
	SSCC:     {name: "SSCC", family: SSCC, section: "TDS 2.3 6.3.2"},
	SGLN:     {name: "SGLN", family: SGLN, section: "TDS 2.3 6.3.3"},
	GRAI:     {name: "GRAI", family: GRAI, section: "TDS 2.3 6.3.4"},
	GIAI:     {name: "GIAI", family: GIAI, section: "TDS 2.3 6.3.5"},
	GSRN:     {name: "GSRN", family: GSRN, section: "TDS 2.3 6.3.6"},
	GSRNP:    {name: "GSRNP", family: GSRNP, section: "TDS 2.3 6.3.7"},
	GDTI:     {name: "GDTI", family: GDTI, section: "TDS 2.3 6.3.8"},
	CPI:      {name: "CPI", family: CPI, section: "TDS 2.3 6.3.9"},
	SGCN:     {name: "SGCN", family: SGCN, section: "TDS 2.3 6.3.10"},
	ITIP:     {name: "ITIP", family: ITIP, section: "TDS 2.3 6.3.13"},
	GID:      {name: "GID", family: GID, section: "TDS 2.3 6.3.16"},
	USDOD:    {name: "USDOD", family: USDOD, section: "TDS 2.3 6.3.17"},

	SGTIN96: {name: "SGTIN-96", family: SGTIN, form: formPartition, header: 0x30, bits: 96, keyBits: 44,
		serial: serialInteger, serBits: 38, section: "TDS 2.3 14.6.1.1"},
	SGTIN198: {name: "SGTIN-198", family: SGTIN, form: formPartition, header: 0x36, bits: 198, keyBits: 44,
		serial: serialString, serBits: 140, section: "TDS 2.3 14.6.1.2"},
	SSCC96: {name: "SSCC-96", family: SSCC, form: formPartition, header: 0x31, bits: 96, keyBits: 58,
		serial: serialZeros, serBits: 24, section: "TDS 2.3 14.6.2.1"},
	SGLN96: {name: "SGLN-96", family: SGLN, form: formPartition, header: 0x32, bits: 96, keyBits: 41,
		serial: serialInteger, serBits: 41, section: "TDS 2.3 14.6.3.1"},
	SGLN195: {name: "SGLN-195", family: SGLN, form: formPartition, header: 0x39, bits: 195, keyBits: 41,
		serial: serialString, serBits: 140, section: "TDS 2.3 14.6.3.2"},
	GRAI96: {name: "GRAI-96", family: GRAI, form: formPartition, header: 0x33, bits: 96, keyBits: 44,
		serial: serialInteger, serBits: 38, section: "TDS 2.3 14.6.4.1"},
	GRAI170: {name: "GRAI-170", family: GRAI, form: formPartition, header: 0x37, bits: 170, keyBits: 44,
		serial: serialString, serBits: 112, section: "TDS 2.3 14.6.4.2"},
	GIAI96:  {name: "GIAI-96", family: GIAI, form: formPartition, header: 0x34, bits: 96, keyBits: 82, section: "TDS 2.3 14.6.5.1"},
	GIAI202: {name: "GIAI-202", family: GIAI, form: formPartition, header: 0x38, bits: 202, keyBits: 188, section: "TDS 2.3 14.6.5.2"},
	GSRN96: {name: "GSRN-96", family: GSRN, form: formPartition, header: 0x2D, bits: 96, keyBits: 58,
		serial: serialZeros, serBits: 24, section: "TDS 2.3 14.6.6"},
	GSRNP96: {name: "GSRNP-96", family: GSRNP, form: formPartition, header: 0x2E, bits: 96, keyBits: 58,
		serial: serialZeros, serBits: 24, section: "TDS 2.3 14.6.7"},
	GDTI96: {name: "GDTI-96", family: GDTI, form: formPartition, header: 0x2C, bits: 96, keyBits: 41,
		serial: serialInteger, serBits: 41, section: "TDS 2.3 14.6.8"},
	GDTI174: {name: "GDTI-174", family: GDTI, form: formPartition, header: 0x3E, bits: 174, keyBits: 41,
		serial: serialString, serBits: 119, section: "TDS 2.3 14.6.8"},
	CPI96: {name: "CPI-96", family: CPI, form: formPartition, header: 0x3C, bits: 96, keyBits: 51,
		serial: serialInteger, serBits: 31, section: "TDS 2.3 14.6.9"},
	SGCN96: {name: "SGCN-96", family: SGCN, form: formPartition, header: 0x3F, bits: 96, keyBits: 41,
		serial: serialNumeric, serBits: 41, section: "TDS 2.3 14.6.10"},
	ITIP110: {name: "ITIP-110", family: ITIP, form: formPartition, header: 0x40, bits: 110, keyBits: 44,
		serial: serialInteger, serBits: 38, section: "TDS 2.3 14.6.11"},
	ITIP212: {name: "ITIP-212", family: ITIP, form: formPartition, header: 0x41, bits: 212, keyBits: 44,
		serial: serialString, serBits: 140, section: "TDS 2.3 14.6.11"},
	GID96:   {name: "GID-96", family: GID, form: formFixed, header: 0x35, bits: 96, section: "TDS 2.3 14.6.12"},
	USDOD96: {name: "USDOD-96", family: USDOD, form: formFixed, header: 0x2F, bits: 96, section: "TDS 2.3 14.6.13"},

	SGTINPlus:  {name: "SGTIN+", family: SGTIN, form: formPlus, header: 0xF7, section: "TDS 2.3 14.6.1.3"},
	DSGTINPlus: {name: "DSGTIN+", family: SGTIN, form: formPlus, header: 0xFB, section: "TDS 2.3 14.6.1.4"},
	SSCCPlus:   {name: "SSCC+", family: SSCC, form: formPlus, header: 0xF9, section: "TDS 2.3 14.6.2.2"},
	SGLNPlus:   {name: "SGLN+", family: SGLN, form: formPlus, header: 0xF2, section: "TDS 2.3 14.6.3.3"},
	GRAIPlus:   {name: "GRAI+", family: GRAI, form: formPlus, header: 0xF1, section: "TDS 2.3 14.6.4.3"},
	GIAIPlus:   {name: "GIAI+", family: GIAI, form: formPlus, header: 0xFA, section: "TDS 2.3 14.6.5.3"},
	GSRNPlus:   {name: "GSRN+", family: GSRN, form: formPlus, header: 0xF4, section: "TDS 2.3 14.6.6"},
	GSRNPPlus:  {name: "GSRNP+", family: GSRNP, form: formPlus, header: 0xF5, section: "TDS 2.3 14.6.7"},
	GDTIPlus:   {name: "GDTI+", family: GDTI, form: formPlus, header: 0xF6, section: "TDS 2.3 14.6.8"},
	CPIPlus:    {name: "CPI+", family: CPI, form: formPlus, header: 0xF0, section: "TDS 2.3 14.6.9"},
	SGCNPlus:   {name: "SGCN+", family: SGCN, form: formPlus, header: 0xF8, section: "TDS 2.3 14.6.10"},
	ITIPPlus:   {name: "ITIP+", family: ITIP, form: formPlus, header: 0xF3, section: "TDS 2.3 14.6.11"},

	SGTINPlusPlus:  {name: "SGTIN++", family: SGTIN, form: formPlusPlus, header: 0xFD, section: "TDS 2.3 14.6.1"},
	DSGTINPlusPlus: {name: "DSGTIN++", family: SGTIN, form: formPlusPlus, header: 0xFC, section: "TDS 2.3 14.6.1"},
	SSCCPlusPlus:   {name: "SSCC++", family: SSCC, form: formPlusPlus, header: 0xEF, section: "TDS 2.3 14.6.2"},
	SGLNPlusPlus:   {name: "SGLN++", family: SGLN, form: formPlusPlus, header: 0xE9, section: "TDS 2.3 14.6.3"},
	GRAIPlusPlus:   {name: "GRAI++", family: GRAI, form: formPlusPlus, header: 0xEB, section: "TDS 2.3 14.6.4"},
	GIAIPlusPlus:   {name: "GIAI++", family: GIAI, form: formPlusPlus, header: 0xEE, section: "TDS 2.3 14.6.5"},
	GSRNPlusPlus:   {name: "GSRN++", family: GSRN, form: formPlusPlus, header: 0xE7, section: "TDS 2.3 14.6.6"},
	GSRNPPlusPlus:  {name: "GSRNP++", family: GSRNP, form: formPlusPlus, header: 0xE8, section: "TDS 2.3 14.6.7"},
	GDTIPlusPlus:   {name: "GDTI++", family: GDTI, form: formPlusPlus, header: 0xEA, section: "TDS 2.3 14.6.8"},
	CPIPlusPlus:    {name: "CPI++", family: CPI, form: formPlusPlus, header: 0xE6, section: "TDS 2.3 14.6.9"},
	SGCNPlusPlus:   {name: "SGCN++", family: SGCN, form: formPlusPlus, header: 0xEC, section: "TDS 2.3 14.6.10"},
	ITIPPlusPlus:   {name: "ITIP++", family: ITIP, form: formPlusPlus, header: 0xED, section: "TDS 2.3 14.6.11"},
}

// byHeader maps the first 8 bits of a tag to the scheme; byURN maps the scheme's name in a tag URI.
var byHeader, byURN = func() (h [256]Scheme, u map[string]Scheme) {
	u = make(map[string]Scheme)
	for s := Scheme(1); s < numSchemes; s++ {
		inf := &schemes[s]
		if inf.form == formNone {
			continue
		}
		h[inf.header] = s
		if inf.form == formPartition || inf.form == formFixed {
			inf.urn = strings.ToLower(inf.name)
			u[inf.urn] = s
		}
	}
	return h, u
}()

// undecoded are the assigned schemes that this package refuses by name.
var undecoded = map[byte]string{0x3A: "GDTI-113 (deprecated)", 0x3B: "ADI-var", 0x3D: "CPI-var"}

// String returns the standard's name of the scheme, for example "SGTIN-96" or "DSGTIN++".
func (s Scheme) String() string {
	if s >= numSchemes {
		return schemes[NoScheme].name
	}
	return schemes[s].name
}

// Family returns the identity behind a tag encoding: SGTIN for SGTIN-96, SGTIN-198, SGTIN+ and
// DSGTIN+.
func (s Scheme) Family() Scheme {
	if s >= numSchemes {
		return NoScheme
	}
	return schemes[s].family
}

// headerError says why bits that begin with header h are not decoded.
func headerError(h byte) error {
	if name, ok := undecoded[h]; ok {
		return &Error{Kind: Unsupported, Section: "TDS 2.3 Table 14-1", Reason: "header " + hexByte(h) + " is " + name +
			", which is not decoded; re-encode the tag in a current scheme"}
	}
	e := &Error{Kind: NotGS1, Section: "TDS 2.3 Table 14-1"}
	what := "is reserved for future use"
	switch {
	case h == 0x00:
		what = "is an unprogrammed tag"
	case h == 0xE2:
		what = "is permanently reserved: it is the class byte of a tag's TID"
	case h == 0xFF:
		what = "is reserved for longer headers"
	case h >= 0x80 && h <= 0xBF || h >= 0x08 && h <= 0x0B || h == 0xCE || h == 0xCF:
		what, e.Section = "belonged to the 64-bit schemes, which ended on 1 July 2009", "TDS 2.3 14.2"
	}
	e.Reason = "header " + hexByte(h) + " " + what + ", so the bits are no GS1 EPC"
	return e
}

func hexByte(b byte) string { return string([]byte{upperHex[b>>4], upperHex[b&15]}) }

// The partition value fixes the company prefix: 12 - partition digits in prefixBits[partition]
// bits, in every scheme (TDS 2.3 14.4.3).
var prefixBits = [7]int{40, 37, 34, 30, 27, 24, 20}

// referenceDigits returns how many digits (GIAI and CPI: at most how many characters) stand beside
// a company prefix of prefix digits.
func referenceDigits(family Scheme, prefix int) int {
	total := 0
	switch family {
	case SGTIN, ITIP:
		total = 13
	case SSCC, GSRN, GSRNP:
		total = 17
	case SGLN, GRAI, GDTI, SGCN:
		total = 12
	case GIAI, CPI:
		total = maxNumeric
	}
	return total - prefix
}

// serialLimit is the longest serial, in characters, that the GS1 Application Identifier of the
// family allows.
func serialLimit(family Scheme) int {
	switch family {
	case SGTIN, SGLN, ITIP:
		return 20 // (21), (254)
	case GRAI:
		return 16 // (8003)
	case GDTI:
		return 17 // (253)
	case SGCN, CPI:
		return 12 // (255), (8011)
	}
	return 0
}
