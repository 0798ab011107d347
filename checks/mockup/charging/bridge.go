package charging

import "math"

// A state is what one phase does.
type state int8

const (
	off  state = iota
	up         // through the upper device to the plus side
	down       // through the lower device from the minus side
)

// A bridge is three phases behind six diodes.
type bridge struct {
	henry      float64
	phase      [3]float64 // ohms of each phase; +Inf is open
	threshold  float64
	upper      [3]float64 // ohms of each device; +Inf is open
	lower      [3]float64
	shortUpper [3]bool // conducts both ways, without threshold
	shortLower [3]bool

	gated, fire bool // upper devices are thyristors
	fired       [3]bool

	states  [3]state
	amperes [3]float64 // out of each phase
}

func newBridge(a Alternator, gated bool) bridge {
	each := func(v float64) [3]float64 { return [3]float64{v, v, v} }
	return bridge{henry: a.PhaseHenry, phase: each(a.PhaseOhms), threshold: a.DiodeVolts, upper: each(a.DiodeOhms), lower: each(a.DiodeOhms), gated: gated}
}

// rest is the bridge without EMF.
func (b *bridge) rest() {
	b.amperes, b.states, b.fired = [3]float64{}, [3]state{}, [3]bool{}
}

// solve gives the direct current through a direct-current side of at + ohms ×
// current, after a step of dt seconds with these EMFs.
//
// A step of backward Euler turns each phase into a source behind R + L/dt. The
// star point floats, so the phases' currents add up to nothing. For given states
// of the devices that is two linear equations, for the star point and the direct
// voltage; a state that its solution contradicts is changed, until none is.
func (b *bridge) solve(emf [3]float64, at, ohms, dt float64) float64 {
	var source, inner [3]float64
	for k := range source {
		source[k] = emf[k] + b.henry/dt*b.amperes[k]
		inner[k] = b.phase[k] + b.henry/dt
	}
	b.settleShorts()
	var star, volts float64
	for range 24 {
		star, volts = b.linear(source, inner, at, ohms)
		if !b.correct(source, inner, star, volts) {
			break
		}
	}
	direct := 0.0
	for k := range source {
		b.amperes[k] = b.current(k, source[k]+star, inner[k], volts)
		if b.states[k] == up {
			direct += b.amperes[k]
		}
		if b.gated && b.states[k] != up {
			b.fired[k] = b.fire
		}
	}
	return direct
}

// settleShorts puts a phase with a shorted device where it always is.
func (b *bridge) settleShorts() {
	for k := range b.states {
		switch {
		case b.shortUpper[k]:
			b.states[k] = up
		case b.shortLower[k]:
			b.states[k] = down
		}
	}
}

// device is the conductance of phase k with the device that its state is, and
// the voltage that the device takes.
func (b *bridge) device(k int, inner float64) (conductance, threshold float64) {
	switch b.states[k] {
	case up:
		if b.shortUpper[k] {
			return 1 / (inner + b.upper[k]), 0
		}
		return 1 / (inner + b.upper[k]), b.threshold
	case down:
		if b.shortLower[k] {
			return 1 / (inner + b.lower[k]), 0
		}
		return 1 / (inner + b.lower[k]), -b.threshold
	}
	return 0, 0
}

// linear solves for the star point and the direct voltage, both against the
// minus side.
func (b *bridge) linear(source, inner [3]float64, at, ohms float64) (star, volts float64) {
	// Σ g (source − threshold) + star Σ g − volts Σup g = 0
	// volts (1 + ohms Σup g) − ohms star Σup g = at + ohms Σup g (source − threshold)
	var g, gUp, j, jUp float64
	for k := range source {
		c, threshold := b.device(k, inner[k])
		g += c
		j += c * (source[k] - threshold)
		if b.states[k] == up {
			gUp += c
			jUp += c * (source[k] - threshold)
		}
	}
	if g == 0 {
		least, most := b.ends(source)
		return (at - least - most) / 2, at
	}
	// star = (volts gUp − j) / g
	volts = (at + ohms*(jUp-gUp*j/g)) / (1 + ohms*gUp*(1-gUp/g))
	return (volts*gUp - j) / g, volts
}

// ends are the least and the most of the phases that are not open.
func (b *bridge) ends(source [3]float64) (least, most float64) {
	least, most = math.Inf(1), math.Inf(-1)
	for k, s := range source {
		if !math.IsInf(b.phase[k], 1) {
			least, most = math.Min(least, s), math.Max(most, s)
		}
	}
	return least, most
}

func (b *bridge) current(k int, u, inner, volts float64) float64 {
	c, threshold := b.device(k, inner)
	if b.states[k] == up {
		u -= volts
	}
	if c == 0 {
		return 0
	}
	return c * (u - threshold)
}

// correct changes the state that the solution contradicts most.
func (b *bridge) correct(source, inner [3]float64, star, volts float64) bool {
	const slack = 1e-9
	worst, which, to := slack, -1, off
	for k := range source {
		if math.IsInf(b.phase[k], 1) || b.shortUpper[k] || b.shortLower[k] {
			continue
		}
		u := source[k] + star
		wrong, next := 0.0, off
		switch i := b.current(k, u, inner[k], volts); b.states[k] {
		case up:
			wrong = -i * inner[k]
		case down:
			wrong = i * inner[k]
		default:
			switch {
			case u > volts+b.threshold && b.may(k):
				wrong, next = u-volts-b.threshold, up
			case u < -b.threshold && !math.IsInf(b.lower[k], 1):
				wrong, next = -b.threshold-u, down
			}
		}
		if wrong > worst {
			worst, which, to = wrong, k, next
		}
	}
	if which < 0 {
		return false
	}
	b.states[which] = to
	return true
}

// may says whether an upper device can begin to conduct.
func (b *bridge) may(k int) bool {
	if math.IsInf(b.upper[k], 1) {
		return false
	}
	return !b.gated || b.fire || b.fired[k]
}
