package procedure

import (
	"loomproof/checks/airframe"
	"loomproof/probe"
)

// SeriesAmperes is what a handheld or bench meter may carry in series: its fuse.
// Common practice; no published source.
const SeriesAmperes = 10

// feltAmperes is the smallest design value, in amperes, whose presence tells that
// a meter in series touches.
const feltAmperes = 0.02

// bridged is the circuit that a meter in series feeds, over its open protector,
// and the state in which that carries its current; ok is false for a meter that
// is anywhere else.
func (p *Performance) bridged(q probe.Quantity, red, black string, s airframe.State) (circuit string, with airframe.State, ok bool) {
	t := p.Design.Terminal(black)
	if q != probe.Current || t == nil || t.Circuit == nil {
		return "", s, false
	}
	k := t.Circuit
	if k.Protector() == nil || black != k.Name+".breaker" || red != k.Bus || s.Closed[k.Name] {
		return "", s, false
	}
	with = s.Clone()
	with.Closed[k.Name] = true
	return k.Name, with, true
}
