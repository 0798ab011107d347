package faultfind

import (
	"math"

	"loomproof/checks/airframe"
)

// refine solves a theory in full: the model with its faults in, its sizes fitted,
// its own covariance. sound is the sound aircraft, solved.
func (p *problem) refine(t *theory, sound *linear) error {
	for round := range 5 {
		var faults []airframe.Fault
		var twists []twist
		log := 0.0
		for i, c := range t.causes {
			log += math.Log(c.prior)
			if c.fault != nil {
				faults = append(faults, c.fault(t.sizes[i]))
			} else {
				twists = append(twists, c.twists(t.sizes[i])...)
			}
		}
		l, err := p.predict(faults, twists)
		if err != nil {
			return err
		}
		l.judge()
		t.solved = l
		moved, evidence := t.step(l)
		t.log = log + l.logL - sound.logL + evidence
		if !moved || round == 4 {
			return nil
		}
	}
	return nil
}

// step takes one Gauss-Newton step of the sizes that are free, within their
// range, and gives the logarithm of the mean over all sizes against the value at
// these. It says whether another round is needed.
func (t *theory) step(l *linear) (moved bool, evidence float64) {
	var free []int
	for i, c := range t.causes {
		if c.fixed {
			evidence += c.weightAt(t.sizes[i])
		} else {
			free = append(free, i)
		}
	}
	if len(t.errs) != len(t.causes) {
		t.errs = make([]float64, len(t.causes))
	}
	w := make([][]float64, len(free))
	for k, i := range free {
		w[k] = l.f.whiten(t.causes[i].at.direction(l))
	}
	switch len(free) {
	case 0:
		return false, evidence
	case 1:
		i := free[0]
		b, c := dot(w[0], l.r), dot(w[0], w[0])
		moved = t.turn(i, b, c)
		return moved, evidence + t.causes[i].meanAbout(t.sizes[i]-t.lastMove(i), b, c)
	}
	b0, b1 := dot(w[0], l.r), dot(w[1], l.r)
	c00, c01, c11 := dot(w[0], w[0]), dot(w[0], w[1]), dot(w[1], w[1])
	det := math.Max(c00*c11-c01*c01, 1e-12*c00*c11)
	if det <= 0 {
		return false, math.Inf(-1)
	}
	step0, step1 := (b0*c11-b1*c01)/det, (b1*c00-b0*c01)/det
	curve0, curve1 := det/c11, det/c00
	moved0 := t.turn(free[0], step0*curve0, curve0)
	moved1 := t.turn(free[1], step1*curve1, curve1)
	d0, d1 := t.lastMove(free[0]), t.lastMove(free[1])
	gain := b0*d0 + b1*d1 - (c00*d0*d0+2*c01*d0*d1+c11*d1*d1)/2
	// Laplace's approximation: the widths of the two together.
	evidence += gain + t.causes[free[0]].density(t.sizes[free[0]]) + t.causes[free[1]].density(t.sizes[free[1]]) +
		math.Log(2*math.Pi) - 0.5*math.Log(det)
	return moved0 || moved1, evidence
}

// turn moves a size by the parabola's step, within its range.
func (t *theory) turn(i int, b, c float64) (moved bool) {
	cause := t.causes[i]
	if c <= 0 || cause.blind(t.sizes[i], c) {
		t.moves(i, 0)
		return false
	}
	was := t.sizes[i]
	t.errs[i] = 1 / math.Sqrt(c)
	to := cause.clamp(was + b/c)
	// A size above zero is never brought down, or up, by more than five times at once.
	if was > 0 {
		to = math.Min(math.Max(to, was/5), was*5)
	}
	t.sizes[i] = to
	t.moves(i, to-was)
	return math.Abs(to-was) > 0.3*t.errs[i] && math.Abs(to-was) > 1e-3*math.Abs(was)
}

// moves keeps the last step of a size.
func (t *theory) moves(i int, by float64) {
	for len(t.last) <= i {
		t.last = append(t.last, 0)
	}
	t.last[i] = by
}

func (t *theory) lastMove(i int) float64 { return t.last[i] }

// clamp keeps a size within its range.
func (c *cause) clamp(size float64) float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	best, near := size, math.Inf(1)
	for _, s := range c.sizes {
		lo, hi = math.Min(lo, s.lo), math.Max(hi, s.hi)
		if s.lo == s.hi {
			continue
		}
		to := math.Max(s.lo, math.Min(s.hi, size))
		if d := math.Abs(to - size); d < near {
			best, near = to, d
		}
	}
	return best
}

func (c *cause) weightAt(size float64) float64 {
	for _, s := range c.sizes {
		if s.lo == size && s.hi == size {
			return math.Log(s.weight)
		}
	}
	return math.Inf(-1)
}

// density is the logarithm of the prior's density at a size.
func (c *cause) density(size float64) float64 {
	best := math.Inf(-1)
	for _, s := range c.sizes {
		if s.lo < s.hi && size >= s.lo*(1-1e-9)-1e-12 && size <= s.hi*(1+1e-9)+1e-12 {
			best = math.Max(best, math.Log(s.weight/(s.hi-s.lo)))
		}
	}
	return best
}

// meanAbout is the logarithm of the mean over all sizes of exp(parabola), the
// parabola being about a size.
func (c *cause) meanAbout(size, b, curve float64) float64 {
	shifted := make([]cell, 0, len(c.sizes))
	for _, s := range c.sizes {
		shifted = append(shifted, cell{s.lo - size, s.hi - size, s.weight})
	}
	return logMean(shifted, b, curve)
}

// nothing is the theory that some readings are off for a reason not listed: it
// takes out one at a time those that gain by it.
func (p *problem) nothing(base *linear) *theory {
	n := len(p.y)
	inverse := base.f.inverse()
	alpha := make([]float64, n)
	for i := range alpha {
		for j := range alpha {
			alpha[i] += inverse[i][j] * (p.y[j] - base.mean[j])
		}
	}
	t := &theory{nothing: true}
	nominal := float64(p.c.Design.Aircraft.Nominal)
	out := make([]bool, n)
	for range n {
		best, at := 0.0, -1
		for j := range n {
			k := inverse[j][j]
			if out[j] || k <= 0 {
				continue
			}
			width := 2 * nominal
			if p.c.Readings[j].Of.From == "" {
				width = 100
			}
			gain := 0.5*math.Log(2*math.Pi/k) + 0.5*alpha[j]*alpha[j]/k + math.Log(p.rates["unknown"]/width)
			if gain > best {
				best, at = gain, j
			}
		}
		if at < 0 {
			break
		}
		out[at] = true
		t.unknown = append(t.unknown, at)
		t.log += best
		k := inverse[at][at]
		row := append([]float64(nil), inverse[at]...)
		a := alpha[at]
		for i := range n {
			alpha[i] -= row[i] * a / k
			for j := range n {
				inverse[i][j] -= row[i] * row[j] / k
			}
		}
	}
	if len(t.unknown) == 0 {
		t.log = math.Log(p.rates["unknown"])
	}
	return t
}

// inverse is that of the covariance.
func (f factor) inverse() [][]float64 {
	n := len(f.rows)
	out := make([][]float64, n)
	columns := make([][]float64, n)
	unit := make([]float64, n)
	for j := range columns {
		unit[j] = 1
		columns[j] = f.whiten(unit)
		unit[j] = 0
	}
	for i := range out {
		out[i] = make([]float64, n)
		for j := range n {
			from := max(i, j)
			sum := 0.0
			for k := from; k < n; k++ {
				sum += columns[i][k] * columns[j][k]
			}
			out[i][j] = sum
		}
	}
	return out
}
