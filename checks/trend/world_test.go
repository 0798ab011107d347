package trend

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/limits"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/checks/units"
	"loomproof/probe"
	"loomproof/scripts"
)

func exampleDesign(t testing.TB, name string) *design.Design {
	t.Helper()
	text, ok := scripts.Design(name)
	require.True(t, ok)
	d, err := design.Parse(name+".yaml", text)
	require.NoError(t, err)
	return d
}

// A year is one performance on an emulated aircraft: what was on the day.
type year struct {
	aircraft uint64 // which one of the design
	seed     uint64 // of the day
	at       time.Time
	celsius  float64
	told     bool // the temperature is on the worksheet
	volts    float64
	meter    string // serial number
	faults   []airframe.Fault
}

var (
	meterAccuracy  = probe.Accuracy{OfReading: 0.0005, Digits: 2}
	supplyAccuracy = probe.Accuracy{OfReading: 0.002, Digits: 10}
)

// perform does what a first power-on does, on a model whose parts, loads and
// instruments are as they are on that day.
func (y year) perform(t testing.TB, d *design.Design) (*procedure.Sheet, procedure.History) {
	t.Helper()
	p := y.begin(t, d)
	state := airframe.State{Sources: []string{"supply"}, SupplyVolts: y.volts}.Clone()
	for _, f := range d.Feeders {
		state.Closed[f.Name], state.On[f.Name] = true, f.Load == nil
	}
	for _, k := range d.Circuits {
		if k.NoBench != "" || k.Load.Duty == design.Intermittent {
			continue
		}
		before := p.current(state)
		state = state.Clone()
		state.Closed[k.Name], state.On[k.Name] = true, true
		after := p.current(state)
		p.difference(procedure.WhatCurrent, k.Name, after, before, "", "")
		var last, first procedure.Captured
		for i, point := range d.Feed(k) {
			here := p.volts(state, point, "battery-")
			switch {
			case i == 1:
				p.difference(procedure.WhatProtector, k.Name, last, here, first.Red, point)
			case i > 1:
				p.difference(procedure.WhatDrop, k.Name, last, here, last.Red, point)
			default:
				first = here
			}
			last = here
		}
		across := p.volts(state, k.Name+".load+", k.Name+".load-")
		p.step(procedure.WhatLoad, k.Name, across.Value, p.u(across), "V", across.Red, across.Black, across.ID)
		p.difference(procedure.WhatReturn, k.Name, last, across, k.Name+".load-", "battery-")
	}
	all := p.current(state)
	p.step(procedure.WhatTotal, "everything", all.Value, p.u(all), "A", "", "", all.ID)
	for _, g := range d.Grounds {
		a, b := p.volts(state, "main", "battery-"), p.volts(state, "main", g.Name)
		p.difference(procedure.WhatReturn, g.Name, a, b, g.Name, "battery-")
	}
	return p.sheet, p.history
}

type performer struct {
	t       testing.TB
	model   *airframe.Model
	r       *rand.Rand
	gain    float64
	amps    float64
	sheet   *procedure.Sheet
	history procedure.History
	limits  *limits.Limits
}

func (y year) begin(t testing.TB, d *design.Design) *performer {
	t.Helper()
	day := *d
	celsius := units.Celsius(y.celsius)
	day.Aircraft.Ambient = &celsius
	p := &performer{t: t, model: airframe.New(&day), r: rand.New(rand.NewPCG(y.seed, 77)), limits: limits.New(d)}
	parts := rand.New(rand.NewPCG(y.aircraft, 55))
	p.model.Vary(func() float64 { return 2*parts.Float64() - 1 })
	for _, part := range p.model.Parts() {
		y.wander(p, part)
	}
	for _, l := range p.model.Loads() {
		if !l.Coil {
			require.NoError(t, p.model.Break(airframe.Fault{Kind: airframe.WrongDraw, At: l.Circuit.Name, Size: 1 + loadOwn/math.Sqrt2*p.r.NormFloat64()}))
		}
	}
	for _, f := range y.faults {
		require.NoError(t, p.model.Break(f))
	}
	// An instrument's gain is its own for ever.
	of := func(serial string) float64 {
		h := uint64(1469598103934665603)
		for _, c := range serial {
			h = (h ^ uint64(c)) * 1099511628211
		}
		return 2*rand.New(rand.NewPCG(h, 1)).Float64() - 1
	}
	p.gain, p.amps = meterAccuracy.OfReading*of(y.meter), supplyAccuracy.OfReading*of("supply "+y.meter)
	p.sheet = &procedure.Sheet{
		Design: d, Begun: y.at, Captures: map[string]procedure.Captured{}, Opening: logbook.Opening{Procedure: "first-power-on", Revision: d.Revision},
		Instruments: []procedure.Instrument{
			{Identity: probe.Identity{Name: "meter", Maker: "Reedbed", Model: "M", Serial: y.meter}},
			{Identity: probe.Identity{Name: "supply", Maker: "Reedbed", Model: "S", Serial: "supply " + y.meter}},
		},
	}
	if y.told {
		c, u := y.celsius, 1.0
		p.sheet.Steps = append(p.sheet.Steps, procedure.Step{ID: "air", What: "air temperature", Quantity: "temperature", Unit: "°C", Reading: &c, Uncertainty: &u, Verdict: "pass"})
	}
	return p
}

// wander moves a part as a sound one does from one year to the next: a part of
// what [Repeat] allows, the same shape.
func (y year) wander(p *performer, part *airframe.Part) {
	repeat := Repeat[part.Kind]
	by := p.r.NormFloat64() / math.Sqrt2 * math.Hypot(repeat.Share*part.Ohms.Usual, repeat.Ohms)
	by = math.Max(by, -part.Ohms.Least/2)
	f := airframe.Fault{At: part.Name, Size: by}
	switch part.Kind {
	case airframe.WireRun, airframe.Contact:
		f.Kind = airframe.HighResistanceJoint
	case airframe.Bond:
		f.Kind = airframe.BadGround
	case airframe.Protector:
		f.Kind, f.Other = airframe.WornContacts, "breaker"
	case airframe.Switch:
		f.Kind, f.Other = airframe.WornContacts, "switch"
	default:
		return
	}
	require.NoError(p.t, p.model.Break(f))
}

func (p *performer) take(q airframe.Quantity, s airframe.State, quantity probe.Quantity, source string, a probe.Accuracy, gain, digit, full float64) procedure.Captured {
	p.model.Set(s)
	v, err := p.model.Value(q)
	require.NoError(p.t, err)
	v = v*(1+gain) + a.Digits*digit*(2*p.r.Float64()-1)
	v = math.Round(v/digit) * digit
	c := procedure.Captured{
		ID: fmt.Sprintf("r%d", len(p.history.Readings)+1), Red: q.From, Black: q.To, Quantity: quantity, Value: v, Count: 5,
		Last: probe.Reading{Value: v, Quantity: quantity, Source: source, Accuracy: a, FullScale: full, Digit: digit},
	}
	p.history.Readings = append(p.history.Readings, procedure.Taken{Captured: c, State: s})
	return c
}

func (p *performer) volts(s airframe.State, red, black string) procedure.Captured {
	return p.take(airframe.Between(red, black), s, probe.Voltage, "meter", meterAccuracy, p.gain, 0.0001, 20)
}

func (p *performer) current(s airframe.State) procedure.Captured {
	return p.take(airframe.OutOf("supply"), s, probe.Current, "supply", supplyAccuracy, p.amps, 0.0005, 60)
}

func (p *performer) u(c procedure.Captured) float64 {
	return math.Hypot(c.Last.Uncertainty(), c.Last.Digit/math.Sqrt(12))
}

func (p *performer) difference(what, circuit string, a, b procedure.Captured, from, to string) {
	gain := a.Last.Accuracy.OfReading * (a.Value - b.Value) / math.Sqrt(3)
	u := math.Sqrt(gain*gain + 2*sq(a.Last.Fixed()) + 2*sq(a.Last.Digit)/12)
	p.step(what, circuit, a.Value-b.Value, u, a.Quantity.Unit(), from, to, a.ID, b.ID)
}

func (p *performer) step(what, circuit string, v, u float64, unit, from, to string, captures ...string) {
	expanded := 2 * u
	s := procedure.Step{
		ID: circuit + "/" + what, Circuit: circuit, Title: circuit + ": " + what, What: what, From: from, To: to, Unit: unit,
		Reading: &v, Uncertainty: &expanded, Captures: captures, Verdict: "pass",
	}
	if what == procedure.WhatDrop {
		s.ID += "/" + from + "/" + to
	}
	p.sheet.Steps = append(p.sheet.Steps, s)
}

// sheet reads a year.
func (y year) sheet(t testing.TB, d *design.Design) *Sheet {
	t.Helper()
	s, h := y.perform(t, d)
	out, err := Read(s, h)
	require.NoError(t, err)
	return out
}
