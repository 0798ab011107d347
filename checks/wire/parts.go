package wire

import "math"

// A Spread is what sound parts of one kind measure, in ohms.
type Spread struct {
	Least, Usual, Most float64
}

// Scale multiplies a spread: n parts in series.
func (s Spread) Scale(n float64) Spread { return Spread{s.Least * n, s.Usual * n, s.Most * n} }

// Add puts two parts in series.
func (s Spread) Add(t Spread) Spread {
	return Spread{s.Least + t.Least, s.Usual + t.Usual, s.Most + t.Most}
}

// JointRule is the most that any joint may show, in ohms: AC 43.13-1B 11-189
// allows it for each connection of a bonding jumper.
const JointRule = 3e-3

// Joint is what a sound crimp and its terminal measure on a wire of this size.
// A lug on heavy wire is held to less than [JointRule], because a good crimp is
// about as good as a little of its own wire: usually 5 cm, at most 20 cm.
// Common practice; no published source but for JointRule.
func Joint(g Gauge) Spread {
	r := g.MaxResistance(20)
	return Spread{0.01 * math.Min(r, 10e-3), math.Min(0.7e-3, 0.05*r), math.Min(JointRule, 0.2*r)}
}

// The other parts that a wire meets. AC 43.13-1B 11-188f allows 2.5 mΩ from
// equipment to structure (verified): that is taken as the most that a sound
// ground point may show. The other figures are common practice without a
// published source; a design can state its own.
var (
	GroundPoint = Spread{0.05e-3, 0.3e-3, 2.5e-3}
	Contact     = Spread{0.5e-3, 3e-3, 8e-3}
	Toggle      = Spread{1e-3, 5e-3, 15e-3}
	Contactor   = Spread{0.1e-3, 0.7e-3, 2e-3}
	Splice      = Spread{0.1e-3, 0.5e-3, 2e-3}
)

// What a metre of thin 50 Ω antenna lead measures, centre and shield. Common
// practice; no published source: leads differ by more than a factor of five.
var (
	CoaxCentre = Spread{10e-3, 35e-3, 100e-3}
	CoaxShield = Spread{5e-3, 15e-3, 60e-3}
)

// BondingRule is the most from an exposed conducting frame to structure.
var BondingRule = Citation{"AC 43.13-1B 11-188: 2.5 mΩ", Verified}

// breakers is the typical drop at rated current of a compensated thermal
// breaker, in volts by rating in amperes: E-T-A 483 data sheet, verified.
var breakers = []struct{ rating, drop float64 }{
	{1, 0.750},
	{2, 0.520},
	{2.5, 0.400},
	{3, 0.360},
	{4, 0.350},
	{5, 0.260},
	{7.5, 0.230},
	{10, 0.190},
	{15, 0.190},
	{20, 0.200},
	{25, 0.170},
	{30, 0.160},
	{35, 0.150},
}

// BreakerTolerance is how far a sound breaker may stand from the typical
// resistance, as a part of it. Common practice; no published source.
const BreakerTolerance = 0.20

// Breaker is the resistance of a thermal breaker by its rating in amperes.
// Between listed ratings it is interpolated on the logarithms; above the
// largest, 35 A, it goes on with the drop of that one. The citation is that of
// the listed figures.
func Breaker(rating float64) (Spread, Citation) {
	cite := sheetBreaker
	drop := breakers[len(breakers)-1].drop
	for i, b := range breakers {
		if rating <= b.rating {
			drop = b.drop
			if rating < b.rating {
				cite.Status = Derived
				if i > 0 {
					a := breakers[i-1]
					part := math.Log(rating/a.rating) / math.Log(b.rating/a.rating)
					drop = a.drop * math.Pow(b.drop/a.drop, part)
				}
			}
			break
		}
	}
	if rating > breakers[len(breakers)-1].rating {
		cite.Status = Derived
	}
	r := drop / rating
	return Spread{r * (1 - BreakerTolerance), r, r * (1 + BreakerTolerance)}, cite
}

// Fuse is the resistance of a cartridge or blade fuse by its rating in
// amperes, taken as 0.1 V at rated current. Common practice; no published
// source.
func Fuse(rating float64) (Spread, Citation) {
	r := 0.1 / rating
	return Spread{r * 0.6, r, r * 1.4}, Citation{"fuse, 0.1 V at rated current", CommonPractice}
}
