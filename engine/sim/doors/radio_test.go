package doors

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// room is a shop without bodies and walls in the way, and with an antenna of the caller's.
func room(t *testing.T) *Shop {
	s := short(t, "bodies-none", 1, nil)
	return s
}

func field(s *Shop, a *antenna, p, u vec) complex128 {
	l := s.field(a, p, u, 0, middleMHz, 0, nil)
	return cmplx.Rect(amplitude(l.gain), l.phase)
}

// The link budget by Friis' law, Proc. IRE 34, 1946: 30 dBm, 6 dBic and 2 dBi, 3 dB of
// polarisation, 867 MHz, 1 m.
func TestLinkBudget(t *testing.T) {
	wavelength := lightSpeed / middleMHz
	loss := 20 * math.Log10(4*math.Pi/wavelength)
	require.InDelta(t, 30+6-3+2-loss, 30+toTag, 0.1)
	require.InDelta(t, 30+2*(6-3+2-loss)-5, 30+andBack, 0.15, "there and back, 5 dB lost in the tag")
}

// Two rays, one off the floor: the field has its minima where the ways differ by whole wavelengths,
// since the floor turns the phase, near 2 h1 h2 / (n wavelength). Rappaport, Wireless
// Communications, section on ground reflection (from memory).
func TestFloorReflection(t *testing.T) {
	s := room(t)
	const h1, h2 = 1.5, 1.0
	a := &antenna{pos: vec{1, 3, h1}, dir: vec{1, 0, 0}}
	up := vec{0, 1, 0} // level and across: the same share of both rays
	at := func(d float64) float64 { return cmplx.Abs(field(s, a, vec{1 + d, 3, h2}, up)) }
	wavelength := lightSpeed / middleMHz
	path := func(d float64) float64 { return math.Hypot(d, h1+h2) - math.Hypot(d, h1-h2) }
	found := 0
	for d := 2.0; d < 12; d += 0.005 {
		// Without the slope of free space.
		if x := at(d) * d; x < at(d-0.005)*(d-0.005) && x < at(d+0.005)*(d+0.005) {
			n := path(d) / wavelength
			if math.Round(n) > 4 {
				continue // there the antenna's pattern moves the minimum
			}
			found++
			require.InDelta(t, math.Round(n), n, 0.05, "%.2f m", d)
		}
	}
	require.GreaterOrEqual(t, found, 3)
	require.InDelta(t, 2*h1*h2/wavelength, 8.7, 0.1, "the handbook's approximation of the last minimum")
}

// Fading is Rician: S. O. Rice, Mathematical Analysis of Random Noise, BSTJ 23-24, 1944-45. The
// share of places that lie so many dB below the mean power is that of the Rice distribution,
// integrated here, with the K that the model claims.
func TestRicianFading(t *testing.T) {
	s := room(t)
	rng := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		name string
		dir  vec
		k    float64 // dB
	}{
		{"in the beam", vec{1, 0, 0}, kInBeam},
		{"beside it", vec{0, 1, 0}, kBeside},
	} {
		var power []float64
		mean := 0.0
		for range 20000 {
			// High above the floor, so that its ray adds nothing.
			a := &antenna{pos: vec{3, 3, 400}, dir: c.dir, waves: makeWaves(rng, 0)}
			h := field(s, a, vec{6, 3, 400}, vec{0, 0, 1})
			p := real(h)*real(h) + imag(h)*imag(h)
			power = append(power, p)
			mean += p
		}
		mean /= float64(len(power))
		// The tag lies across the ray, so it takes all of it, and of the diffuse field 0.8 of the
		// amplitude.
		k := math.Pow(10, (c.k-20*math.Log10(0.8))/10)
		if c.name == "beside it" {
			// The diffuse field does not follow the pattern below -10 dB.
			k = math.Pow(10, (c.k-20*math.Log10(0.8)+(pattern(0)+10))/10)
		}
		for _, down := range []float64{3, 6, 10} {
			limit := mean * math.Pow(10, -down/10)
			n := 0
			for _, p := range power {
				if p < limit {
					n++
				}
			}
			want := rice(k, math.Pow(10, -down/10))
			got := float64(n) / float64(len(power))
			require.InDelta(t, want, got, 0.01+0.15*want, "%s, %v dB below the mean: K %.1f dB", c.name, down, 10*math.Log10(k))
		}
	}
}

// rice is the share of a Rician power of mean 1 below x: the integral of (1+K) exp(-K-(1+K)p) I0(2
// sqrt(K(1+K)p)).
func rice(k, x float64) float64 {
	bessel := func(z float64) float64 { // I0 by its series
		term, sum := 1.0, 1.0
		for m := 1; m < 200; m++ {
			term *= z * z / 4 / float64(m*m)
			sum += term
		}
		return sum
	}
	const steps = 4000
	sum := 0.0
	for i := range steps {
		p := x * (float64(i) + 0.5) / steps
		sum += (1 + k) * math.Exp(-k-(1+k)*p) * bessel(2*math.Sqrt(k*(1+k)*p))
	}
	return sum * x / steps
}

// The diffuse field is correlated over half a wavelength: waves from all directions in space give
// sin(kd)/(kd), which is zero there (D. A. Hill, Plane wave integral representation for fields in
// reverberation chambers, IEEE Trans. EMC 40, 1998); waves from all sides of the horizon alone
// would give J0(kd), zero at 0.38 wavelengths (R. H. Clarke, BSTJ 47, 1968). From memory.
func TestFadingBelongsToThePlace(t *testing.T) {
	s := room(t)
	rng := rand.New(rand.NewPCG(3, 4))
	k := 2 * math.Pi * middleMHz / lightSpeed
	for _, d := range []float64{0, 0.02, 0.05, 0.1, 0.173, 0.25, 0.5} {
		var cross complex128
		var one, two float64
		for range 6000 {
			// Straight behind the antenna's back the direct ray is weak; what it gives is taken
			// away.
			a := &antenna{pos: vec{3, 3, 400}, dir: vec{-1, 0, 0}, waves: makeWaves(rng, 0)}
			bare := &antenna{pos: a.pos, dir: a.dir}
			p, q := vec{9, 3, 400}, vec{9, 3 + d, 400}
			u := vec{0, 0, 1}
			h, g := field(s, a, p, u)-field(s, bare, p, u), field(s, a, q, u)-field(s, bare, q, u)
			cross += h * cmplx.Conj(g)
			one += real(h)*real(h) + imag(h)*imag(h)
			two += real(g)*real(g) + imag(g)*imag(g)
		}
		want := 1.0
		if d > 0 {
			want = math.Sin(k*d) / (k * d)
		}
		require.InDelta(t, want, real(cross)/math.Sqrt(one*two), 0.05, "%.3f m", d)
	}
}

// A tag that lies still where nothing drifts and nobody moves keeps its level; a share of drifting
// waves moves it, slowly.
func TestDrift(t *testing.T) {
	s := room(t)
	spread := func(drift float64, seconds float64) float64 {
		rng := rand.New(rand.NewPCG(5, 6))
		sum := 0.0
		for range 200 {
			a := &antenna{pos: vec{3, 3, 2.5}, dir: vec{0, 0, -1}, waves: makeWaves(rng, drift)}
			p, u := vec{5, 4, 1}, vec{0, 1, 0}
			one, two := s.field(a, p, u, 100, middleMHz, 0, nil).gain, s.field(a, p, u, 100+seconds, middleMHz, 0, nil).gain
			sum += math.Abs(one - two)
		}
		return sum / 200
	}
	require.Zero(t, spread(0, 30))
	require.Less(t, spread(0.2, 0.1), 0.5)
	require.Greater(t, spread(0.2, 10), 0.5)
	require.Greater(t, spread(1./3, 10), spread(0.2, 10))
}

// A body between antenna and tag takes most, and nothing when it stands aside.
func TestBodies(t *testing.T) {
	s := short(t, "base", 1, nil)
	a, p := vec{2, 3, 1}, vec{6, 3, 1}
	s.bodiesAt = 0
	for _, c := range []struct{ y, low, high float64 }{{3, 8.9, 9.1}, {3.3, 0.5, 3}, {4, 0, 0}} {
		s.bodies = []body{{x: 4, y: c.y}}
		got := s.shade(a, p, 0)
		require.GreaterOrEqual(t, got, c.low)
		require.LessOrEqual(t, got, c.high)
	}
	s.bodies = []body{{x: 3, y: 3}}
	require.Zero(t, s.shade(vec{2, 3, 2.5}, p, 0), "the ray from the ceiling passes over a head that is far from the tag")
	require.Greater(t, s.shade(vec{2, 3, 2.5}, vec{3.3, 3, 1}, 0), 3.0, "and not over one's own")
}
