package faultfind

import (
	"cmp"
	"math"
	"reflect"
	"slices"

	"loomproof/checks/airframe"
)

// mostReadings is how many readings are weighed together: beyond, those that say
// least are left out.
const mostReadings = 240

// relevant leaves out readings of very large worksheets: those that are as the
// design has them, in circuits where everything is. They bear on what all
// explanations have in common, and so hardly on one against another. The
// circuits that stay are those with the looks furthest off, whole, and one in
// so many of the rest, so that what touches all (a source, an instrument) is
// still seen. The circuits kept are returned; nil means all.
func relevant(c *Case) (kept *Case, only map[string]bool, left int, err error) {
	if len(c.Readings) <= mostReadings {
		return c, nil, 0, nil
	}
	off, err := offBy(c)
	if err != nil {
		return nil, nil, 0, err
	}
	groups := grouped(c, off)
	only = map[string]bool{}
	keep := make([]bool, len(c.Readings))
	count := 0
	take := func(g *group) {
		if only[g.circuit] || count+len(g.readings) > mostReadings {
			return
		}
		only[g.circuit] = true
		for _, i := range g.readings {
			keep[i] = true
			count++
		}
	}
	worst := slices.Clone(groups)
	slices.SortStableFunc(worst, func(a, b *group) int { return cmp.Compare(b.off, a.off) })
	for _, g := range worst {
		if count > mostReadings/2 {
			break
		}
		take(g)
	}
	for i := 0; i < len(groups); i += max(1, len(groups)/20) {
		take(groups[i])
	}
	kept = &Case{Design: c.Design, Markings: c.Markings, Cuts: c.Cuts}
	at := make([]int, len(c.Readings))
	for i, r := range c.Readings {
		if at[i] = -1; keep[i] {
			at[i] = len(kept.Readings)
			kept.Readings = append(kept.Readings, r)
		}
	}
	for _, l := range c.Looks {
		if keep[l.Plus] && (l.Minus < 0 || keep[l.Minus]) {
			l.Plus = at[l.Plus]
			if l.Minus >= 0 {
				l.Minus = at[l.Minus]
			}
			kept.Looks = append(kept.Looks, l)
		}
	}
	for _, m := range c.Markings {
		only[m.Circuit] = true
	}
	for _, cut := range c.Cuts {
		only[cut.Circuit] = true
	}
	return kept, only, len(c.Readings) - count, nil
}

// A group is the readings of one circuit, or of what belongs to none.
type group struct {
	circuit  string
	readings []int
	off      float64 // how far its worst look is off
}

// offBy is how far each look is off the design, by a rough yardstick: a fifth of
// the design value, or what the instrument leaves open. It needs no slopes.
func offBy(c *Case) ([]float64, error) {
	m := airframe.New(c.Design)
	value := make([]float64, len(c.Readings))
	var state *airframe.State
	for i := range c.Readings {
		r := &c.Readings[i]
		if state == nil || !reflect.DeepEqual(*state, r.In) {
			state = &r.In
			m.Set(r.In)
		}
		v, err := m.Value(r.Of)
		if err != nil {
			return nil, err
		}
		value[i] = v
	}
	off := make([]float64, len(c.Readings))
	for _, l := range c.Looks {
		design, is, u := value[l.Plus], c.Readings[l.Plus].Value, c.Readings[l.Plus].U
		if l.Minus >= 0 {
			design, is, u = design-value[l.Minus], is-c.Readings[l.Minus].Value, math.Hypot(u, c.Readings[l.Minus].U)
		}
		share := 0.2
		if l.Minus < 0 && c.Readings[l.Plus].Of.From != "" {
			share = 0.01 // a whole voltage
		}
		by := math.Abs(is-design) / (share*math.Abs(design) + 2*u)
		off[l.Plus] = math.Max(off[l.Plus], by)
		if l.Minus >= 0 {
			off[l.Minus] = math.Max(off[l.Minus], by)
		}
	}
	return off, nil
}

// grouped puts readings together by circuit, in their order. A reading of a bus,
// a ground or the supply goes with the one before it: it was taken for it.
func grouped(c *Case, off []float64) []*group {
	var out []*group
	by := map[string]*group{}
	var last *group
	for i, r := range c.Readings {
		circuit := ""
		for _, name := range []string{r.Of.From, r.Of.To} {
			if t := c.Design.Terminal(name); t != nil && circuit == "" {
				circuit = circuitAt(c, name)
			}
		}
		g := by[circuit]
		if circuit == "" && last != nil && len(last.readings) < 20 {
			g = last
		}
		if g == nil {
			g = &group{circuit: circuit}
			by[circuit] = g
			out = append(out, g)
		}
		g.readings = append(g.readings, i)
		g.off = math.Max(g.off, off[i])
		last = g
	}
	return out
}

// circuitAt is the circuit that a terminal belongs to; "" for a bus, a ground
// point or a source.
func circuitAt(c *Case, terminal string) string {
	t := c.Design.Terminal(terminal)
	switch {
	case t == nil, c.Design.IsBus(terminal), c.Design.IsGround(terminal):
		return ""
	case t.Circuit != nil:
		return t.Circuit.Name
	case len(t.Runs) > 0 && c.Design.Source(sourceOf(terminal)) == nil:
		return t.Runs[0].Circuit.Name
	}
	return ""
}

// sourceOf is the source whose terminal has a name: battery for battery-.
func sourceOf(terminal string) string { return terminal[:len(terminal)-1] }
