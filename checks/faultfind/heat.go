package faultfind

import (
	"math"
	"slices"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
)

// Heat is what an added resistance turns into heat with everything running.
type Heat struct {
	Where   string  `json:"where"`
	Watts   float64 `json:"watts"`
	Amperes float64 `json:"amperes"`
	Limit   float64 `json:"limit"`
	Rule    string  `json:"rule"`
	Says    string  `json:"says"`
}

// The power, in watts, above which a joint gets too hot to touch and goes on
// getting worse: a crimp or pin on small wire, and a lug, stud or contactor on
// wire of 10 AWG or more. Common practice; no published source.
const (
	hotSmall = 1.0
	hotLarge = 4.0
	largeMm2 = 5.0
	hotRule  = "1 W in one joint on small wire, 4 W from 10 AWG on; common practice"
)

// heat works out what the joints of a theory turn into heat at full load: all
// circuits on, each load at its largest steady or short work.
func (a *Answer) heat(t *theory) *Heat {
	var hottest *Heat
	for i, c := range t.causes {
		switch c.kind {
		case "joint", "contact", "ground", "breaker-contacts", "switch-contacts":
		default:
			continue
		}
		m := airframe.New(a.p.c.Design)
		for k, o := range t.causes {
			if o.fault != nil {
				if m.Break(o.fault(t.sizes[k])) != nil {
					return nil
				}
			}
		}
		m.Set(fullLoad(a.p.c.Design))
		part := m.Parts()[c.at.part]
		amperes, err := m.Through(part)
		if err != nil {
			continue
		}
		limit := hotSmall
		if part.Kind == airframe.Bond || part.Run != nil && part.Run.Gauge.Area() > largeMm2 {
			limit = hotLarge
		}
		amperes = math.Abs(amperes)
		watts := amperes * amperes * t.sizes[i]
		if watts > limit && (hottest == nil || watts > hottest.Watts) {
			hottest = &Heat{Where: c.where(), Watts: watts, Amperes: amperes, Limit: limit, Rule: hotRule}
		}
	}
	return hottest
}

// fullLoad is the state with everything on that runs for more than moments,
// each doing its heaviest work, fed as in flight. A source that feeds only itself,
// as a locator's, has no part in it.
func fullLoad(d *design.Design) airframe.State {
	var sources []string
	for _, s := range d.Sources {
		grounded := slices.ContainsFunc(d.Grounds, func(g *design.Ground) bool { return d.Path(s.Name+"-", g.Name) != nil })
		if s.Kind != design.BenchSupply && grounded {
			sources = append(sources, s.Name)
		}
	}
	s := airframe.AllOn(d, sources...)
	for _, k := range d.All() {
		if k.Load != nil && k.Load.Duty != design.Intermittent {
			s.Working[k.Name] = true
		}
	}
	return s
}
