package epc_test

import (
	"errors"
	"fmt"

	"lintel/engine/epc"
)

func ExampleParse() {
	for _, in := range []string{
		"3036451FD40C0E4000001A85",
		"F710 9521 1411 2345 4046 A140",
		"urn:epc:tag:sgtin-96:1.9521141.012345.6789",
		"https://books.umberhithe.example/01/09521141123454/21/6789?17=261231",
	} {
		e, err := epc.Parse(in)
		if err != nil {
			fmt.Println(err)
			continue
		}
		fmt.Println(e.KeyText(), e.Scheme())
	}
	// Output:
	// (01)09521141123454(21)6789 SGTIN-96
	// (01)09521141123454(21)6789 SGTIN+
	// (01)09521141123454(21)6789 SGTIN-96
	// (01)09521141123454(21)6789 SGTIN
}

func ExampleParse_refused() {
	_, err := epc.Parse("(01)09521141123455(21)6789")
	fmt.Println(err)
	_, err = epc.Parse("E28011606000020000001234")
	fmt.Println(errors.Is(err, epc.ErrNotGS1))
	// Output:
	// epc: "(01)09521141123455(21)6789": the check digit of the GTIN must be 4, not 5 (GS1 General Specifications 7.9)
	// true
}

func ExampleParseTag() {
	bits := []byte{0xE2, 0x80, 0x11, 0x60, 0x60, 0x00, 0x02, 0x00, 0x00, 0x00, 0x12, 0x34}
	e, err := epc.ParseTag(bits, 0x3000, true)
	fmt.Println(e.KeyText(), e.IsRaw(), err)
	// Output: urn:epc:raw:96.xE28011606000020000001234 true <nil>
}

func ExampleEncodeSGTIN96() {
	e, err := epc.EncodeSGTIN96(9521141123454, 7, 6789, 1)
	fmt.Println(e.Hex(), e.TagURI(), err)
	// Output: 3036451FD40C0E4000001A85 urn:epc:tag:sgtin-96:1.9521141.012345.6789 <nil>
}

func ExampleEncode() {
	id, err := epc.Parse("(01)09521141123454(21)A-7")
	if err != nil {
		fmt.Println(err)
		return
	}
	plus, err := epc.Encode(id, epc.SGTINPlus, epc.Options{Filter: 1})
	fmt.Println(plus.Hex(), err)
	_, err = epc.Encode(id, epc.SGTIN96, epc.Options{Filter: 1, PrefixDigits: 7})
	fmt.Println(err)
	// Output:
	// F7109521141123454A30A9E0 <nil>
	// epc: SGTIN-96 cannot hold the serial "A-7": it takes a number without leading zeros; use SGTIN-198 or SGTIN+ (TDS 2.3 14.3.1, Table 12-2)
}

func ExampleKey_Text() {
	e, err := epc.Parse("(01)09521141123454(21)6789")
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(e.Key().Text())
	// Output: (01)09521141123454(21)6789 true
}
