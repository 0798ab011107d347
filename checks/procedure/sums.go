package procedure

import (
	"errors"
	"fmt"
	"math"

	"go.starlark.net/starlark"

	"loomproof/checks/airframe"
	"loomproof/checks/compass"
	"loomproof/checks/design"
	"loomproof/checks/limits"
	"loomproof/checks/loadstep"
	"loomproof/checks/locator"
	"loomproof/checks/ringout"
	"loomproof/checks/units"
	"loomproof/checks/wire"
)

func text(s string) starlark.Value { return starlark.String(s) }

func (p *Performance) slRingOut(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	if err := starlark.UnpackArgs(name, args, kwargs); err != nil {
		return nil, err
	}
	ways := ringout.Ways(p.Design)
	plan, down := ringout.Plan(ways), ringout.List(ways)
	tests := list(plan, func(t ringout.Test) starlark.Value {
		black := t.Black
		if t.Apart() {
			black = ""
		}
		return record("test", "red", text(t.Red), "black", text(black), "joined", texts(t.Joined), "apart", starlark.Bool(t.Apart()), "where", text(t.Way))
	})
	return record("ring_out", "tests", tests, "moves", starlark.MakeInt(ringout.Moves(plan)),
		"list_tests", starlark.MakeInt(len(down)), "list_moves", starlark.MakeInt(ringout.Moves(down))), nil
}

func (p *Performance) slSenders(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	return list(p.Design.Senders, func(s *design.Sender) starlark.Value {
		return record("sender", "name", text(s.Name), "title", text(s.Called()), "signal", text(s.Signal()), "ground", text(s.Ground))
	}), starlark.UnpackArgs(name, args, kwargs)
}

func (p *Performance) slSenderLimit(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var which string
	var celsius, within number
	if err := starlark.UnpackArgs(name, args, kwargs, "name", &which, "celsius", &celsius, "within", &within); err != nil {
		return nil, err
	}
	for _, s := range p.Design.Senders {
		if s.Name == which {
			e := limits.Sender(s, float64(celsius), float64(within))
			return record("limit", "design", starlark.Float(e.Design), "low", starlark.Float(e.Limit.Low.At), "high", starlark.Float(e.Limit.High.At),
				"rule", text(e.Limit.High.Rule.Text), "status", text(string(e.Limit.High.Rule.Status))), nil
		}
	}
	return nil, fmt.Errorf("there is no sender %q", which)
}

func (p *Performance) slAntennas(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	return list(p.Design.Coaxes, func(c *design.Coax) starlark.Value {
		return record("antenna", "name", text(c.Name), "title", text(c.Called()), "centre", text(c.Centre()), "shield", text(c.Shield()),
			"far_centre", text(c.FarCentre()), "far_shield", text(c.FarShield()), "base", text(c.Base()))
	}), starlark.UnpackArgs(name, args, kwargs)
}

// yardsticks are limits that no design changes; a nil side allows anything.
func (p *Performance) yardstick(what string) (low, high *float64, rule wire.Citation, ok bool) {
	least := func(v float64, rule wire.Citation) (*float64, *float64, wire.Citation, bool) {
		return &v, nil, rule, true
	}
	most := func(v float64, rule wire.Citation) (*float64, *float64, wire.Citation, bool) {
		return nil, &v, rule, true
	}
	switch what {
	case "frame bond":
		y := wire.FrameBond()
		return most(y.Value, y.Rule)
	case "jumper bond":
		y := wire.JumperBond()
		return most(y.Value, y.Rule)
	case "static bond":
		y := wire.StaticBond()
		return most(y.Value, y.Rule)
	case "insulation":
		y := wire.LeastInsulation()
		return least(y.Value, y.Rule)
	case "compass":
		return most(compass.Most, compass.MostRule)
	case "compass pull":
		return most(compass.Pull, compass.PullRule)
	case "locator battery":
		return most(0, locator.BatteryRule)
	case "locator inspection":
		return most(365, locator.InspectionRule)
	case "regulation":
		least, most, rule := wire.Regulation(float64(p.Design.Aircraft.Nominal))
		return &least, &most, rule, true
	case "bus while charging":
		nominal := float64(p.Design.Aircraft.Nominal)
		least, most, rule := wire.Regulation(nominal)
		drop, feeder := wire.FeederDrop(least)
		least -= drop
		rule.Text += ", less what the way to the bus may lose: " + feeder.Text
		rule.Status = wire.Derived
		return &least, &most, rule, true
	case "cranking":
		v, rule := wire.CrankingVoltage(float64(p.Design.Aircraft.Nominal))
		return least(v, rule)
	case "battery capacity":
		v, rule := wire.LeastHealth()
		return least(v, rule)
	}
	return nil, nil, wire.Citation{}, false
}

func (p *Performance) slYardstick(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var what string
	if err := starlark.UnpackArgs(name, args, kwargs, "what", &what); err != nil {
		return nil, err
	}
	low, high, rule, ok := p.yardstick(what)
	if !ok {
		return nil, fmt.Errorf("there is no yardstick %q", what)
	}
	side := func(v *float64) starlark.Value {
		if v == nil {
			return starlark.None
		}
		return starlark.Float(*v)
	}
	return record("yardstick", "low", side(low), "high", side(high), "rule", text(rule.Text), "status", text(string(rule.Status))), nil
}

// slAlwaysLive lists what stays fed with every switch off and every protector
// closed.
func (p *Performance) slAlwaysLive(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	if err := starlark.UnpackArgs(name, args, kwargs); err != nil {
		return nil, err
	}
	var live []*design.Circuit
	if battery := p.Design.SourceOf(design.Battery); battery != nil {
		s := airframe.State{Sources: []string{battery.Name}}.Clone()
		for _, k := range p.Design.All() {
			s.Closed[k.Name] = true
		}
		for _, k := range p.Design.Circuits {
			e, err := p.limits.Between(s, k.Name+".load+", k.Name+".load-")
			if err == nil && e.Design > 1 {
				live = append(live, k)
			}
		}
	}
	return list(live, func(k *design.Circuit) starlark.Value {
		rating := 0.0
		if b := k.Protector(); b != nil {
			rating = float64(b.Rating)
		}
		return record("live", "circuit", text(k.Name), "title", text(k.Called()), "rating", starlark.Float(rating))
	}), nil
}

// usedUp is how far a battery's resistance may stand above the design's before
// it is weak. Common practice; no published source: makers give the resistance of
// a new battery only.
const usedUp = 1.5

// slBatteryResistance finds a battery's inside resistance from a step of load. The
// volts at its plus terminal and at a bus are read at two loads; the current is
// told by what the way between them loses. What that way measures comes from six
// readings taken before with a supply in the battery's place: plus, bus and supply
// current at one load, then at another.
func (p *Performance) slBatteryResistance(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var battery string
	var readings [4]starlark.Value
	var calibration *starlark.List
	if err := starlark.UnpackArgs(name, args, kwargs, "battery", &battery, "plus1", &readings[0], "bus1", &readings[1], "plus2", &readings[2], "bus2", &readings[3], "calibration", &calibration); err != nil {
		return nil, err
	}
	source := p.Design.Source(battery)
	if source == nil || calibration.Len() != 6 {
		return nil, fmt.Errorf("it takes a battery of the design, its four readings, and six of the way to the bus")
	}
	all := readings[:]
	for i := range calibration.Len() {
		all = append(all, calibration.Index(i))
	}
	var r [10]Captured
	for i, v := range all {
		t, err := p.taken(v)
		if err != nil {
			return nil, err
		}
		r[i] = t.Captured
	}
	lost := func(plus, bus Captured) (volts, u float64) {
		return plus.Value - bus.Value, uncertaintyOfDifference(plus, bus)
	}
	level := func(plus, bus, current Captured) loadstep.Level {
		v, u := lost(plus, bus)
		return loadstep.Level{Volts: v, UVolts: u, Amperes: current.Value, UAmperes: scatter(current)}
	}
	way, err := loadstep.Resistance(level(r[4], r[5], r[6]), level(r[7], r[8], r[9]))
	if errors.Is(err, loadstep.ErrTooClose) {
		return starlark.None, nil
	}
	if err != nil {
		return nil, err
	}
	gain := r[6].Last.Accuracy.OfReading / math.Sqrt(3) // common to both currents of the supply
	v1, u1 := lost(r[0], r[1])
	v2, u2 := lost(r[2], r[3])
	step, err := loadstep.Resistance(
		loadstep.Level{Volts: -r[0].Value, UVolts: scatter(r[0]), Amperes: v1 / way.Ohms, UAmperes: u1 / way.Ohms},
		loadstep.Level{Volts: -r[2].Value, UVolts: scatter(r[2]), Amperes: v2 / way.Ohms, UAmperes: u2 / way.Ohms},
	)
	if errors.Is(err, loadstep.ErrTooClose) {
		return starlark.None, nil
	}
	if err != nil {
		return nil, err
	}
	u := math.Hypot(step.U, step.Ohms*math.Hypot(way.U/way.Ohms, gain))
	usual := float64(source.Resistance)
	return record("resistance", "value", starlark.Float(step.Ohms), "u", starlark.Float(u), "design", starlark.Float(usual), "high", starlark.Float(usedUp*usual),
		"rule", text("one and a half times the design's battery resistance"), "status", text(string(wire.CommonPractice))), nil
}

// slStarter is the feeder whose motor runs for moments only.
func (p *Performance) slStarter(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	found := ""
	for _, k := range p.Design.Feeders {
		if k.Load != nil && k.Load.Nature == design.Motor && k.Load.Duty == design.Intermittent && k.Switch != nil {
			found = k.Name
		}
	}
	return text(found), starlark.UnpackArgs(name, args, kwargs)
}

func floats(l *starlark.List) ([]float64, error) {
	out := make([]float64, l.Len())
	for i := range out {
		f, ok := starlark.AsFloat(l.Index(i))
		if !ok {
			return nil, fmt.Errorf("%s is no number", l.Index(i))
		}
		out[i] = f
	}
	return out, nil
}

func slCompassFit(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var magnetic, shown *starlark.List
	var u number
	if err := starlark.UnpackArgs(name, args, kwargs, "magnetic", &magnetic, "compass", &shown, "u", &u); err != nil {
		return nil, err
	}
	real, err := floats(magnetic)
	if err != nil {
		return nil, err
	}
	seen, err := floats(shown)
	if err != nil {
		return nil, err
	}
	if len(real) != len(seen) {
		return nil, fmt.Errorf("%d magnetic headings and %d compass headings: they must be as many", len(real), len(seen))
	}
	var sightings []compass.Sighting
	for i := range real {
		sightings = append(sightings, compass.Sighting{Magnetic: real[i], Compass: seen[i]})
	}
	f, err := compass.Solve(sightings, float64(u))
	if err != nil {
		return nil, err
	}
	at, worst := f.Worst()
	_, around := f.At(at)
	card := list(f.Card(30), func(r compass.Row) starlark.Value {
		return record("row", "steer_for", starlark.Float(r.For), "steer", starlark.Float(r.Steer))
	})
	remainder := list(f.Remainder, func(v float64) starlark.Value { return starlark.Float(v) })
	return record("compass", "a", starlark.Float(f.A), "b", starlark.Float(f.B), "c", starlark.Float(f.C), "d", starlark.Float(f.D), "e", starlark.Float(f.E),
		"worst", starlark.Float(worst), "worst_at", starlark.Float(at), "u", starlark.Float(around), "remainder", remainder, "card", card), nil
}

func slLocatorCountries(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	return texts(locator.Countries()), starlark.UnpackArgs(name, args, kwargs)
}

func slLocatorWindow(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var country, kind string
	if err := starlark.UnpackArgs(name, args, kwargs, "country", &country, "kind", &kind); err != nil {
		return nil, err
	}
	w, ok := locator.For(country, locator.Kind(kind))
	if !ok {
		return starlark.None, nil
	}
	return record("window", "start", starlark.MakeInt(w.From), "end", starlark.MakeInt(w.To), "self_test", starlark.Bool(w.SelfTest),
		"sweeps", starlark.MakeInt(w.Sweeps), "seconds", starlark.MakeInt(w.Seconds), "rule", text(w.Rule.Text), "status", text(string(w.Rule.Status))), nil
}

func slQuantity(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var value number
	var unit string
	if err := starlark.UnpackArgs(name, args, kwargs, "value", &value, "unit", &unit); err != nil {
		return nil, err
	}
	return text(units.Format(float64(value), unit)), nil
}
