// Package epc gives every tagged thing one identity, whatever way it was written down.
//
// It reads and writes the identities of the GS1 EPC Tag Data Standard 2.3 (TDS): the bits on a UHF
// tag, the EPC tag URI, the pure identity URI, the raw URI, the bracketed GS1 element string and
// the GS1 Digital Link URI. All forms of one thing give one [Key]:
//
//	3036451FD40C0E4000001A85                        SGTIN-96 on the tag
//	F7109521141123454046A140                        SGTIN+ on the tag
//	urn:epc:tag:sgtin-96:1.9521141.012345.6789      tag URI              ──▶  (01)09521141123454(21)6789
//	urn:epc:id:sgtin:9521141.012345.6789            pure identity URI
//	https://id.gs1.org/01/09521141123454/21/6789    Digital Link
//
// The filter value, the binary encoding, the host name of a Digital Link and the length of the GS1
// Company Prefix are no part of the identity; a serial number is, character by character: 34, 034
// and 0034 are three things.
//
// # Reading
//
// [Parse] takes any text form. [ParseBytes] takes the bits of a tag, and [ParseTag], which
// takes the tag's Protocol Control word too, is what a reader's report wants: a
// GS1 EPC where the bits are one, the raw bits where they are not, an error where they claim to be
// a GS1 EPC and break the standard. Decoding is strict: a field that overflows its digits, a fixed
// bit that is set, a wrong check digit are refused, and the [Error] says what, where, how to fix it
// and which section of the standard says so. Without a PC word the toggle bit (17h) is taken to be
// 0, "a GS1 EPC".
//
// Surplus bits after the EPC (word padding, or the +AIDC data of a "+" scheme) are dropped: they
// are not identity.
//
// A GTIN of restricted circulation, a coupon, a refund receipt or an ISSN cannot form an SGTIN (TDS
// 7.3.3 - 7.3.8): such a number is unique inside one company or one country only. Any form of it is
// refused as [ErrNotGS1], so a tag that carries one keeps its raw bits as its identity. A raw URI
// without an Application Family Identifier whose bits are a GS1 EPC after all is read as that EPC.
//
// # Keys
//
// [EPC.Key] is the identity in 128 bits and [EPC.KeyText] the same as text. A key with a numeric
// serial turns back into its text ([Key.Text]); a serial with letters or leading zeros, and raw
// bits, are hashed, and the text has to be kept beside the key.
//
// # Writing
//
// [Encode] turns an identity into any scheme that can hold it, and [EncodeSGTIN96] is the short way
// for the most common one. The length of the company prefix is part of the older binary schemes and
// of the URNs and of nothing else, so the forms that need it are empty on an EPC that came from a
// Digital Link, an element string or a "+" scheme, until [Encode] is given the length.
//
// # What is decoded
//
// SGTIN, SSCC, SGLN, GRAI, GIAI, GSRN, GSRNP, GDTI, CPI, SGCN and ITIP in their binary schemes with
// a partition, in their "+" and "++" schemes, DSGTIN+ and DSGTIN++, GID-96 and USDOD-96. ADI-var,
// CPI-var and GDTI-113 are refused by name.
//
// The package is pure: no clock, no random numbers, no I/O, no goroutines.
package epc
