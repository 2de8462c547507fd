package presence

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

const light = 299_792_458 // m/s

// The phase of a tag's answer is 4 pi d f / c and a constant of the reader, and its Doppler shift
// 2 v f / c, above 0 where the tag comes closer (the way there and back; any textbook on radar).
func TestMotion(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		channel := rapid.Uint16Range(8650, 9280).Draw(rt, "channel")
		hz := float64(channel) * 1e5
		speed := rapid.Float64Range(-1.3, 1.3).Draw(rt, "speed") // m/s away from the antenna
		gap := rapid.Int64Range(10, pairMs).Draw(rt, "gap")
		start := rapid.Float64Range(0.5, 5).Draw(rt, "distance")
		phase := func(d float64) uint16 {
			tenths := math.Mod(4*math.Pi*d*hz/light+1, 2*math.Pi) / (2 * math.Pi) * turn
			return 1 + uint16(tenths)%turn
		}
		want := func(plain float64) Motion {
			switch {
			case speed > plain:
				return Away
			case speed < -plain:
				return Closer
			}
			return Still
		}
		if blur := 0.06; math.Abs(math.Abs(speed)-0.25) > blur { // tenths of a degree in ten milliseconds
			var l lastEcho
			l.motion(Echo{Phase: phase(start), Channel: channel, Doppler: NoDoppler}, noon)
			got := l.motion(Echo{Phase: phase(start + speed*float64(gap)/1000), Channel: channel, Doppler: NoDoppler}, noon+gap)
			require.Equal(rt, want(0.25), got)
		}
		if math.Abs(math.Abs(speed)-0.5) > 0.03 {
			var l lastEcho
			got := l.motion(Echo{Channel: channel, Doppler: int16(math.Round(-20 * speed * hz / light))}, noon)
			require.Equal(rt, want(0.5)&^Still, got)
		}
	})
}

// Two phases say nothing where the channel or the antenna changed in between, or too much time went
// by.
func TestMotionNeedsAPair(t *testing.T) {
	first := Echo{Point: 1, Phase: 900, Channel: 8657, Doppler: NoDoppler}
	for name, c := range map[string]struct {
		next Echo
		gap  int64
		want Motion
	}{
		"the same":        {first, 50, Still},
		"another channel": {Echo{Point: 1, Phase: 900, Channel: 8663, Doppler: NoDoppler}, 50, 0},
		"another antenna": {Echo{Point: 2, Phase: 900, Channel: 8657, Doppler: NoDoppler}, 50, 0},
		"no channel":      {Echo{Point: 1, Phase: 900, Doppler: NoDoppler}, 50, 0},
		"the same read":   {first, 0, 0},
		"later, as far":   {first, 300, Still},
		"later, moved":    {Echo{Point: 1, Phase: 2700, Channel: 8657, Doppler: NoDoppler}, 300, Moves},
		"too late":        {first, 700, 0},
		"nothing":         {Echo{Point: 1, Channel: 8657, Doppler: NoDoppler}, 50, 0},
	} {
		var l lastEcho
		l.motion(first, noon)
		require.Equal(t, c.want, l.motion(c.next, noon+c.gap), name)
	}
}

// What comes closer under the inner antenna and goes away under the outer one is on its way out.
func TestMotionSpeaksForAPassage(t *testing.T) {
	out := func(echoes bool) float64 {
		a := &Approach{}
		for k := range int64(16) {
			side, way := int(k/8), 800*k%turn // 0.8 m/s
			if side == Inner {
				way = turn - way
			}
			e := Echo{Point: uint16(side), Doppler: NoDoppler}
			if echoes {
				e.Phase, e.Channel = uint16(1+way%turn), 8657
			}
			a.Hear(side, noon+50*k, -55, 1, e)
		}
		v := Judge(&Evidence{Approach: a, From: a.Newest() - 40, Until: a.Newest() + 2, Start: StartLying,
			Loud: [2]int8{-52, -52}, Lain: 1000,
			Inside: Inside{Epoch: 1000, Last: noon/1000 + 2, Known: noon / 1000}})
		return v.Through()
	}
	require.Greater(t, out(true), out(false))
}
