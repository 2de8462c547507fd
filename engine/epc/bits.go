package epc

import "encoding/binary"

// bitsAt reads n bits (0 to 64) of b from bit offset off, most significant first. The caller has
// checked that they are there.
func bitsAt(b []byte, off, n int) uint64 {
	if n == 0 {
		return 0
	}
	i, shift := off>>3, uint(off&7)
	if i+8 <= len(b) {
		v := binary.BigEndian.Uint64(b[i:]) << shift
		if int(shift)+n > 64 {
			v |= uint64(b[i+8]) >> (8 - shift)
		}
		return v >> uint(64-n)
	}
	var window [9]byte
	copy(window[:], b[i:])
	v := binary.BigEndian.Uint64(window[:])<<shift | uint64(window[8])>>(8-shift)
	return v >> uint(64-n)
}

// allZero reports whether the n bits of b from off are all zero.
func allZero(b []byte, off, n int) bool {
	for n > 0 {
		step := min(n, 64)
		if bitsAt(b, off, step) != 0 {
			return false
		}
		off, n = off+step, n-step
	}
	return true
}

// bitReader walks over the first n bits of b.
type bitReader struct {
	b   []byte
	n   int
	pos int
}

// take reads the next n bits (0 to 64); ok is false when they are not there.
func (r *bitReader) take(n int) (v uint64, ok bool) {
	if r.n-r.pos < n {
		return 0, false
	}
	v = bitsAt(r.b, r.pos, n)
	r.pos += n
	return v, true
}

// take128 reads the next n bits (0 to 128).
func (r *bitReader) take128(n int) (u128, bool) {
	if n <= 64 {
		v, ok := r.take(n)
		return u128{lo: v}, ok
	}
	hi, ok := r.take(n - 64)
	if !ok {
		return u128{}, false
	}
	lo, ok := r.take(64)
	return u128{hi, lo}, ok
}

// bitWriter appends bits, most significant first.
type bitWriter struct {
	b []byte
	n int
}

// put appends the low n bits (0 to 64) of v.
func (w *bitWriter) put(v uint64, n int) {
	for n > 0 {
		if w.n&7 == 0 {
			w.b = append(w.b, 0)
		}
		free := 8 - w.n&7
		step := min(free, n)
		chunk := byte(v>>uint(n-step)) & (1<<uint(step) - 1)
		w.b[len(w.b)-1] |= chunk << uint(free-step)
		w.n, n = w.n+step, n-step
	}
}

// put128 appends the low n bits (0 to 128) of v.
func (w *bitWriter) put128(v u128, n int) {
	if n > 64 {
		w.put(v.hi, n-64)
		n = 64
	}
	w.put(v.lo, n)
}

// zeros appends zero bits until n bits are written.
func (w *bitWriter) zeros(n int) {
	for w.n < n {
		w.put(0, min(n-w.n, 64))
	}
}
