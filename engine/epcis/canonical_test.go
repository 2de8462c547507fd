package epcis

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// Source: EPC URIs of the GS1 EPC Tag Data Standard, section 6, and the forms that rules 17 and 18
// of the event hash id name. The check digits were computed by GS1 General Specifications 7.9.
func TestCanonicalURI(t *testing.T) {
	const gs1 = "https://id.gs1.org"
	for in, want := range map[string]string{
		"urn:epc:id:sgtin:9521141.012345.67%2F89":                       gs1 + "/01/09521141123454/21/67%2F89",
		"urn:epc:id:sgtin:9521141.012345.a(b)!":                         gs1 + "/01/09521141123454/21/a%28b%29%21",
		"urn:epc:id:sgtin:9521141.012345.a.b":                           gs1 + "/01/09521141123454/21/a.b",
		"urn:epc:id:sscc:4012345.3111111111":                            gs1 + "/00/340123451111111111",
		"urn:epc:id:sgln:9521141.12345.0":                               gs1 + "/414/9521141123454",
		"urn:epc:id:sgln:9521141.12345.A:1":                             gs1 + "/414/9521141123454/254/A%3A1",
		"urn:epc:id:pgln:4000001.00000":                                 gs1 + "/417/4000001000005",
		"urn:epc:id:pgln:999999999999.":                                 gs1 + "/417/9999999999994",
		"urn:epc:id:grai:4012345.00022.334455":                          gs1 + "/8003/04012345000221334455",
		"urn:epc:id:giai:4012345.ABC345":                                gs1 + "/8004/4012345ABC345",
		"urn:epc:id:gdti:987659999999..9":                               gs1 + "/253/98765999999929",
		"urn:epc:id:gsrn:4012345.0000006765":                            gs1 + "/8018/401234500000067657",
		"urn:epc:id:gsin:4012345.222333444":                             gs1 + "/402/40123452223334442",
		"urn:epc:id:ginc:0614141.xyz47%2F11":                            gs1 + "/401/0614141xyz47%2F11",
		"urn:epc:id:cpi:0614141.11-A%23%2F.1234":                        gs1 + "/8010/061414111-A%23%2F/8011/1234",
		"urn:epc:id:itip:4012345.011111.01.02.987":                      gs1 + "/8006/040123451111180102/21/987",
		"urn:epc:id:upui:1234567.098765.51qIgY":                         gs1 + "/01/01234567987651/235/51qIgY",
		"urn:epc:class:lgtin:4012345.012345.Lot987":                     gs1 + "/01/04012345123456/10/Lot987",
		"urn:epc:idpat:sgtin:4012345.012345.*":                          gs1 + "/01/04012345123456",
		"urn:epc:idpat:itip:4012345.012345.01.02.*":                     gs1 + "/8006/040123451234560102",
		"urn:epc:idpat:cpi:4012345.AB12.*":                              gs1 + "/8010/4012345AB12",
		"http://shop.example/x/01/9521141123454":                        gs1 + "/01/09521141123454",
		"https://shop.example/01/09521141123454/22/2A/10/L1/21/7?a=b#c": gs1 + "/01/09521141123454/21/7",
		gs1 + "/8018/385888700111111111/8019/5":                         gs1 + "/8018/385888700111111111",
		gs1 + "/414/9521141123454/254/A":                                gs1 + "/414/9521141123454/254/A",
		// These are no GS1 identifiers, and stay as they are.
		"urn:epc:id:sgtin:9521141.12345.1":            "urn:epc:id:sgtin:9521141.12345.1",
		"urn:epc:idpat:sgtin:4012345.012345.5":        "urn:epc:idpat:sgtin:4012345.012345.5",
		"urn:epc:id:sgtin":                            "urn:epc:id:sgtin",
		"urn:epc:":                                    "urn:epc:",
		"https://shop.example/sites/01/zones/aisle":   "https://shop.example/sites/01/zones/aisle",
		"https://shop.example/01/97803":               "https://shop.example/01/97803",
		"https://shop.example/01/09521141123454/99/x": "https://shop.example/01/09521141123454/99/x",
		"https://shop.example":                        "https://shop.example",
		"geo:50.9,6.9":                                "geo:50.9,6.9",
	} {
		require.Equal(t, want, canonicalURI(in), in)
	}
}

func TestCanonicalNumber(t *testing.T) {
	for in, want := range map[string]string{
		"1.0": "1", "0.3400": "0.34", "007": "7", "+5": "5", "-0.0": "0", "-1.50": "-1.5", "1e3": "1000",
		"1.5E-2": "0.015", ".5": "0.5", "5.": "5",
		"12345678901234567890.10": "12345678901234567890.1", "1e999": "1e999", "1.2.3": "1.2.3", "A1": "A1", "": "",
		"-": "-", "e5": "e5", "2013-06-08": "2013-06-08",
	} {
		require.Equal(t, want, canonicalNumber(in), in)
	}
}
