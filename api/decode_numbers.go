package api

import (
	"math"
	"strconv"

	"lintel/api/kit"
	"lintel/engine/event"
)

// numberMember notes a member of the read at hand that is a number.
func (d *readDecoder) numberMember(bit uint16, v []byte) {
	switch bit {
	case memberRSSI:
		tenths, ok := tenthsOf(v, minRSSI, maxRSSI)
		if !ok {
			d.failf(reasonShape, "\"rssi\" %s is no signal strength; write dBm between %d and %d", kit.Shown(v), minRSSI, maxRSSI)
			return
		}
		d.rssi = int16(tenths)
	case memberCount:
		n, err := strconv.ParseUint(text(v), 10, 32)
		if err != nil || n < 1 || n > maxCount {
			d.failf(reasonShape, "\"count\" %s is no number of reads; write a whole number from 1 to %d", kit.Shown(v), maxCount)
			return
		}
		d.count = uint32(n)
	case memberTime:
		ms, err := millis(v)
		if err != nil {
			d.failf(reasonTime, "%v", err)
		}
		d.t = ms
	case memberPC:
		n, err := strconv.ParseUint(text(v), 10, 16)
		if err != nil {
			d.failf(reasonIdentity, "\"pc\" %s is no PC word; write a number from 0 to 65535, or its 4 hexadecimal "+
				"digits as a text", kit.Shown(v))
		}
		d.pc = uint16(n)
	case memberPhase:
		tenths, ok := tenthsOf(v, minPhase, maxPhase)
		if !ok {
			d.failf(reasonShape, "\"phase\" %s is no phase; write degrees from 0 to %d, or from %d to %d", kit.Shown(v),
				maxPhase, minPhase, -minPhase)
			return
		}
		d.phase = uint16((tenths+10*maxPhase)%(10*maxPhase)) + 1
	case memberChannel:
		tenths, ok := tenthsOf(v, minChannel, maxChannel)
		if !ok {
			d.failf(reasonShape, "\"channel\" %s is no carrier frequency; write MHz from %d to %d, such as 866.3",
				kit.Shown(v), minChannel, maxChannel)
			return
		}
		d.channel = uint16(tenths)
	case memberDoppler:
		tenths, ok := tenthsOf(v, -maxDoppler, maxDoppler)
		if !ok {
			d.failf(reasonShape, "\"doppler\" %s is no Doppler shift; write Hz from %d to %d", kit.Shown(v), -maxDoppler, maxDoppler)
			return
		}
		d.doppler = uint16(tenths + event.DopplerZero)
	}
}

// tenthsOf reads a number between low and high as tenths. Readers write a few digits with at most
// one decimal; the rest is left to the standard library.
func tenthsOf(v []byte, low, high int) (int, bool) {
	n, digits, point := 0, v, false
	if digits[0] == '-' {
		digits = digits[1:]
	}
	for i, c := range digits {
		switch {
		case c-'0' <= 9 && i < 5:
			n = n*10 + int(c-'0')
		case c == '.' && i == len(digits)-2:
			point = true
		default:
			f, err := strconv.ParseFloat(text(v), 64)
			lo, hi := float64(low), float64(high)
			return int(math.Round(max(lo, min(f, hi)) * 10)), err == nil && f >= lo && f <= hi
		}
	}
	if !point {
		n *= 10
	}
	if v[0] == '-' {
		n = -n
	}
	return n, n >= low*10 && n <= high*10
}
