package doors

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
)

// The link budget, in dB and dBm. A reader of 30 dBm behind an antenna of 6 dBic reaches a dipole
// of 2 dBi at 1 m, with 3 dB lost between circular and linear polarisation, with 3.8 dBm at 867
// MHz: 30 + 6 - 3 + 2 - 31.2 (Friis). A tag reflects with about 5 dB less (from memory), and the
// way back is the way there. Tags wake at about -17 dBm on a good mounting; receivers hear down to
// about -80 dBm (from memory).
const (
	toTag      = -26.2 // dB from the reader's power to a tag's at 1 m
	andBack    = -57.4 // dB from the reader's power to what it hears of a tag at 1 m
	wakes      = -17.0
	hears      = -80.0
	waveCount  = 10
	lightSpeed = 299.792458 // m times MHz
	middleMHz  = 867.0
	beamwidth  = 70.0 // degrees between half-power directions
	backLobe   = 18.0 // dB, one way
	floorGain  = 0.5  // of the field that the floor reflects, with the phase turned
	kInBeam    = 11.5 // dB, Rician K where the antenna points
	kBeside    = 5.5
	innerWall  = 8.0 // dB, one way
	frontGlass = 5.0
	laneWall   = 10.0
)

// wave is one plane wave of the diffuse field, which an antenna's walls and furniture make.
type wave struct {
	dir    vec
	phase  float64
	turn   float64 // radians a second; 0 where nothing drifts
	length float64 // m that it has travelled, by which its phase depends on the channel
}

func makeWaves(rng *rand.Rand, drift float64) []wave {
	w := make([]wave, waveCount)
	drifting := int(math.Round(drift * waveCount))
	for i := range w {
		// Uniform on the sphere: z and the angle around it are uniform (Archimedes).
		z, a := 2*rng.Float64()-1, 2*math.Pi*rng.Float64()
		c := math.Sqrt(1 - z*z)
		w[i] = wave{
			dir: vec{c * math.Cos(a), c * math.Sin(a), z}, phase: 2 * math.Pi * rng.Float64(), length: 4 + 26*rng.Float64(),
		}
		turn := 2 * math.Pi * (0.02 + 0.28*rng.Float64())
		if rng.IntN(2) == 0 {
			turn = -turn
		}
		if i < drifting {
			w[i].turn = turn
		}
	}
	return w
}

// pattern returns what an antenna loses off its axis, in dB, one way: -min(12 (angle/beamwidth)^2,
// most), the form of the antenna model of 3GPP TR 36.814 (from memory).
func pattern(cos float64) float64 {
	x := (max(-1, min(1, cos)) + 1) * (patternSteps / 2)
	i := min(int(x), patternSteps-1)
	return patterns[i] + (patterns[i+1]-patterns[i])*(x-float64(i))
}

// The square of a small angle is nearly straight over its cosine, so that a table with straight
// lines between is close.
const patternSteps = 1024

var patterns = func() (t [patternSteps + 1]float64) {
	for i := range t {
		angle := math.Acos(float64(i)/(patternSteps/2)-1) * 180 / math.Pi / beamwidth
		t[i] = -min(12*angle*angle, backLobe)
	}
	return t
}()

// sines has a turn of a circle in so many steps that the error of 0.0004 is far below anything that
// a reader reports.
const sineSteps = 1 << 14

var sines = func() (t [sineSteps * 5 / 4]float64) {
	for i := range t {
		t[i] = math.Sin(2 * math.Pi * (float64(i) + 0.5) / sineSteps)
	}
	return t
}()

func sincos(angle float64) (sin, cos float64) {
	i := int(math.Floor(angle*(sineSteps/(2*math.Pi)))) & (sineSteps - 1)
	return sines[i], sines[i+sineSteps/4]
}

func amplitude(dB float64) float64 { return math.Exp(dB * (math.Ln10 / 20)) }
func decibel(a float64) float64    { return 20 * math.Log10(max(a, 1e-4)) }

// dipole is the share of the field that a tag along u takes from direction d: a short dipole's
// sine, and not less than a quarter, since no tag is one.
func dipole(u, d vec) float64 {
	c := u.dot(d)
	return max(0.25, math.Sqrt(max(0, 1-c*c)))
}

// link is the way from an antenna to a tag.
type link struct {
	gain  float64 // dB, one way, relative to free space at 1 m on axis
	phase float64 // radians, one way
}

// field returns the one-way channel between an antenna and a tag at p along u at t seconds. loss is
// what the tag's place takes, in dB.
func (s *Shop) field(a *antenna, p, u vec, t, mhz, loss float64, own *track) link {
	k := 2 * math.Pi * mhz / lightSpeed
	from := a.at(t)
	d := p.sub(from)
	dist := max(0.15, d.norm())
	d = d.times(1 / dist)
	direct := pattern(a.dir.dot(d))
	walls := s.walls(from, p)
	shade := s.shade(from, p, t)
	h := cmplx.Rect(amplitude(direct-walls-shade)/dist*dipole(u, d), -k*dist)

	image := vec{p.x, p.y, -p.z}
	e := image.sub(from)
	far := e.norm()
	e = e.times(1 / far)
	bounce := from.z / (from.z + p.z)
	at := vec{from.x + (p.x-from.x)*bounce, from.y + (p.y-from.y)*bounce, 0}
	shadeFloor := s.shade(at, p, t)
	h -= cmplx.Rect(floorGain*amplitude(pattern(a.dir.dot(e))-walls-shadeFloor)/far*dipole(u, vec{e.x, e.y, -e.z}), -k*far)

	// The diffuse field keeps K within its bounds: it follows the antenna's pattern only in part.
	share := min(1, max(0, (-direct-3)/7))
	diffuse := max(direct, -10) - (kInBeam + (kBeside-kInBeam)*share) - walls
	if own != nil {
		diffuse -= s.cfg.Regime.Body * 0.2
	}
	// A dipole takes two thirds of the power that comes from all directions.
	amp := amplitude(diffuse) / dist * 0.8 / math.Sqrt(waveCount)
	off := 2 * math.Pi * (mhz - middleMHz) / lightSpeed
	q := p.sub(from)
	if !a.moves() {
		q = p
	}
	var re, im float64
	for i := range a.waves {
		w := &a.waves[i]
		sin, cos := sincos(w.phase + k*w.dir.dot(q) + w.turn*t - off*w.length)
		re, im = re+cos, im+sin
	}
	h += complex(amp*re, amp*im)
	return link{decibel(cmplx.Abs(h)) - loss, cmplx.Phase(h)}
}

// walls returns what the walls between two places take, in dB.
func (s *Shop) walls(a, b vec) float64 {
	loss := 0.0
	if (a.y > floorY) != (b.y > floorY) {
		loss += innerWall
	}
	if d := &s.doors[street]; (a.y < 0) != (b.y < 0) {
		if x := a.x + (b.x-a.x)*a.y/(a.y-b.y); math.Abs(x-d.x) > d.halfWidth {
			loss += frontGlass
		}
	}
	if d := &s.doors[lane]; (a.x > floorX) != (b.x > floorX) {
		if y := a.y + (b.y-a.y)*(floorX-a.x)/(b.x-a.x); math.Abs(y-d.y) > d.halfWidth {
			loss += laneWall
		}
	}
	return loss
}

// shade returns what bodies take of a ray from a to the tag at p, in dB: all of Regime.Body where
// the ray goes through the middle, less beside it.
func (s *Shop) shade(a, p vec, t float64) float64 {
	most := s.cfg.Regime.Body
	if most == 0 || len(s.bodies) == 0 {
		return 0
	}
	// Only the part of the ray below the top of a head.
	if a.z > bodyHeight && p.z < bodyHeight {
		f := (bodyHeight - p.z) / (a.z - p.z)
		a = vec{p.x + (a.x-p.x)*f, p.y + (a.y-p.y)*f, bodyHeight}
	} else if p.z >= bodyHeight && a.z >= bodyHeight {
		return 0
	}
	const radius = 0.22
	dx, dy := p.x-a.x, p.y-a.y
	length := dx*dx + dy*dy
	sum := 0.0
	for i := range s.bodies {
		b := &s.bodies[i]
		bx, by := b.x+b.vx*(t-s.bodiesAt)-a.x, b.y+b.vy*(t-s.bodiesAt)-a.y
		f := 0.0
		if length > 1e-9 {
			f = max(0, min(1, (bx*dx+by*dy)/length))
		}
		ex, ey := bx-f*dx, by-f*dy
		if q := (ex*ex + ey*ey) / (radius * radius); q < 9 {
			sum += most * math.Exp(-q)
		}
	}
	return min(sum, 2.5*most)
}
