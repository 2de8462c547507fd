package event

import "testing"

func BenchmarkFact(b *testing.B) {
	f := Fact{
		Ms: at, Seq: 7, Cause: Arrived, At: at - 500, Key: book, GTIN: 9521234000013, Disp: SellableAccessible,
		Zone: "shelf-a", From: "stockroom", Point: "shelf-a-1",
	}
	var buf []byte
	b.Run("append", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			buf = AppendFact(buf[:0], &f)
		}
	})
	b.Run("decode", func(b *testing.B) {
		b.ReportAllocs()
		var back Fact
		for b.Loop() {
			if err := DecodeFact(buf, f.Ms, f.N, &back); err != nil {
				b.Fatal(err)
			}
		}
	})
}
