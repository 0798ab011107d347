package faultfind

import (
	"math"

	"loomproof/checks/airframe"
)

// ceilingShare is how sharp the watch's ceiling is: the part of it within which
// a current may have been cut, or not. Common practice; no published source.
const ceilingShare = 0.03

// censored weighs sizes by how likely they make the cuts that happened, against
// an aircraft without the fault.
func (p *problem) censored(at *place, sizes []cell) []cell {
	if len(p.c.Cuts) == 0 {
		return sizes
	}
	out := make([]cell, len(sizes))
	copy(out, sizes)
	for _, cut := range p.c.Cuts {
		free := cut.In.Clone()
		free.SupplyLimit = 1e6 // what would flow if nothing held it back
		p.model.Set(free)
		s, err := p.model.Sense(airframe.OutOf(cut.Source))
		if err != nil {
			continue
		}
		slope, loop := 0.0, at.loop
		if at.terminal != "" {
			v, err := p.model.Volts(at.terminal, "")
			if err != nil {
				continue
			}
			slope = -s.Forced(at.terminal) * v
			if looking, err := p.model.Looking(at.terminal, ""); err == nil && looking > 0 {
				loop = 1 / looking
			}
		} else if at.load >= 0 {
			slope = s.Loads[at.load]
		}
		here := place{loop: loop}
		sound := logTailAbove(cut, s.Value)
		for i, c := range out {
			flows := s.Value + slope*here.amplitude(math.Sqrt(math.Abs(c.lo*c.hi))*sign(c.lo))
			out[i].weight *= math.Exp(math.Min(300, logTailAbove(cut, flows)-sound))
		}
	}
	return out
}

func sign(x float64) float64 {
	if x < 0 {
		return -1
	}
	return 1
}

// logTailAbove is the logarithm of the probability that a current is cut.
func logTailAbove(c Cut, amperes float64) float64 {
	z := (c.Amperes - amperes) / (ceilingShare*c.Amperes + 0.05)
	if z > 0 {
		return logTail(z)
	}
	return math.Log1p(-math.Exp(logTail(-z)))
}
