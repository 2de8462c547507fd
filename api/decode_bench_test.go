package api

import (
	"encoding/json"
	"fmt"
	"testing"

	"lintel/engine/event"
)

// benchBody is a batch of 500 reads of about 115 bytes, as a reader at the door posts it.
func benchBody(n int) []byte {
	b := []byte("[")
	for i := range n {
		if i > 0 {
			b = append(b, ',')
		}
		b = fmt.Appendf(b, `{"epc":"3036451FD40C0E4000%06X","read_point":"street-door-in","rssi":-%d.5,"time":"2026-11-25T09:14:%02d.%03dZ"}`, 6000+i, 40+i%30, i%7, i)
	}
	return append(b, ']')
}

func perRead(b *testing.B, n int) {
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/read")
}

// BenchmarkReads is the whole of what a batch costs before it is in the store: JSON, identities,
// checks, journal encoding.
func BenchmarkReads(b *testing.B) {
	const n = 500
	body := benchBody(n)
	buf := make([]byte, 0, 64<<10)
	b.SetBytes(int64(len(body)))
	b.ReportAllocs()
	for b.Loop() {
		d := newReadDecoder(testLay, opening, 10_000)
		if err := d.array(body); err != nil || len(d.entry.Reads) != n {
			b.Fatal(err, d.rejected)
		}
		buf = event.AppendEntry(buf[:0], &d.entry)
		d.release()
	}
	perRead(b, n)
}

// BenchmarkReadsFloor is the least that a plain server does: encoding/json into structs, nothing
// else.
func BenchmarkReadsFloor(b *testing.B) {
	const n = 500
	body := benchBody(n)
	b.SetBytes(int64(len(body)))
	b.ReportAllocs()
	for b.Loop() {
		var list []struct {
			EPC       string  `json:"epc"`
			ReadPoint string  `json:"read_point"`
			RSSI      float64 `json:"rssi"`
			Time      string  `json:"time"`
		}
		if err := json.Unmarshal(body, &list); err != nil || len(list) != n {
			b.Fatal(err)
		}
	}
	perRead(b, n)
}

// BenchmarkReadsHashed has serials with letters, whose words travel with the read.
func BenchmarkReadsHashed(b *testing.B) {
	const n = 500
	body := []byte("[")
	for i := range n {
		if i > 0 {
			body = append(body, ',')
		}
		body = fmt.Appendf(body, `{"epc":"(01)09521141123454(21)UB%06d","read_point":"street-door-in","rssi":-52.5,"time":"2026-11-25T09:14:07.%03dZ"}`, i, i)
	}
	body = append(body, ']')
	buf := make([]byte, 0, 64<<10)
	b.ReportAllocs()
	for b.Loop() {
		d := newReadDecoder(testLay, opening, 10_000)
		if err := d.array(body); err != nil || len(d.entry.Reads) != n {
			b.Fatal(err, d.rejected)
		}
		buf = event.AppendEntry(buf[:0], &d.entry)
		d.release()
	}
	perRead(b, n)
}
