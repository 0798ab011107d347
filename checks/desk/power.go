package desk

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/wire"
)

// onDraw is a circuit's continuous current at a voltage: its load, and the coil
// of its contactor.
func onDraw(k *design.Circuit, at float64) float64 {
	sum := 0.0
	if k.Load != nil && k.Load.Duty == design.Continuous {
		sum = k.Load.Draw.At(at)
	}
	if k.Switch != nil && (k.Load == nil || k.Load.Duty == design.Continuous) {
		sum += float64(k.Switch.Coil)
	}
	return sum
}

// feeds tells whether a source feeds a circuit (or, for a feeder, is joined to
// it).
func (s *study) feeds(src *design.Source, k *design.Circuit) bool {
	at := k.Bus
	switch {
	case k.Bus == "" && k.Load != nil:
		at = k.Name + ".load+"
	case k.Bus == "" && k.Switch != nil:
		at = k.Name + ".switch.in"
	}
	_, ok := s.reach[src.Name][at]
	return ok
}

// sourceLoad adds up the continuous loads at the nominal voltage and holds them
// against each generating source alone.
func (s *study) sourceLoad() {
	share, cite := wire.SourceShare()
	for _, src := range s.d.Sources {
		if src.Kind != design.Alternator || src.Limit == 0 {
			continue
		}
		b := Balance{Source: src.Name, Rated: float64(src.Limit)}
		for _, k := range s.d.All() {
			if s.feeds(src, k) {
				b.Continuous += onDraw(k, s.nominal)
			}
		}
		for _, k := range s.d.Circuits {
			if k.Shed && s.feeds(src, k) {
				b.Shed = append(b.Shed, Shedding{k.Name, b.Continuous - onDraw(k, s.nominal)})
			}
		}
		slices.SortStableFunc(b.Shed, func(x, y Shedding) int { return cmp.Compare(x.Without, y.Without) })
		s.report.Balance = append(s.report.Balance, b)
		severity := Note
		switch {
		case b.Continuous > b.Rated:
			severity = Error
		case b.Continuous > share*b.Rated:
			severity = Warning
		}
		s.find("source-load", severity, subject{src.Pos, src.Name, ""}, numbers{b.Continuous, share * b.Rated, "A"}, cite,
			fmt.Sprintf("all continuous loads together are %.0f %% of what %s is rated for (%v)%s", 100*b.Continuous/b.Rated, src.Name, src.Limit, b.without()))
	}
}

// without says what shedding leaves.
func (b Balance) without() string {
	if len(b.Shed) == 0 {
		return "; none of them is marked \"shed\""
	}
	var out []string
	left := b.Continuous
	for _, x := range b.Shed {
		out = append(out, fmt.Sprintf("%s %s", x.Circuit, amperes(x.Without)))
		left -= b.Continuous - x.Without
	}
	return fmt.Sprintf("; without %s; without all of these %s", list(out, 8), amperes(left))
}

func (s *study) regulation() {
	low, high, cite := wire.Regulation(s.nominal)
	for _, src := range s.d.Sources {
		if v := float64(src.Volts); src.Kind == design.Alternator && high > 0 && (v < low || v > high) {
			limit := low
			if v > high {
				limit = high
			}
			s.find("regulation", Warning, subject{src.Pos, src.Name, ""}, numbers{v, limit, "V"}, cite,
				fmt.Sprintf("%s is set to %v", src.Name, src.Volts))
		}
	}
}

// emptying is the voltage that a battery is taken to have while it feeds the
// aircraft alone: 2 V a cell, six cells in a 14 V aircraft.
func (s *study) emptying() float64 { return s.nominal * 12 / 14 }

// alternatorLost is the average current in amperes out of a battery that feeds
// what is essential (or everything) alone. Loads of constant power draw more at
// the lower voltage; the others are taken as they are. Short work counts with
// its share of the time.
func (s *study) alternatorLost(src *design.Source, everything bool) float64 {
	v := s.emptying()
	sum := 0.0
	for _, k := range s.d.All() {
		if !s.feeds(src, k) || !k.Essential && !everything && k.Load != nil {
			continue
		}
		sum += onDraw(k, v)
		l := k.Load
		switch {
		case l == nil, k.Feeder: // a starter is not used again
		case l.Duty == design.Intermittent:
			sum += float64(l.Share) * l.Draw.At(v)
		case l.Intermittent != nil:
			sum += float64(l.Share) * (l.Intermittent.At(v) - l.Draw.At(v))
		}
	}
	return sum
}

// batteryEndurance is Peukert's law with the capacity that an old, cold battery
// still has.
func (s *study) batteryEndurance() {
	for _, src := range s.d.Sources {
		if src.Kind != design.Battery || s.alone(src) {
			continue
		}
		of := subject{src.Pos, src.Name, ""}
		if src.Capacity == 0 {
			s.find("battery-endurance", Warning, of, numbers{}, wire.EnduranceRule, fmt.Sprintf("%s has no capacity in the design: how long it lasts cannot be told", src.Name))
			continue
		}
		cold, coldRule := wire.ColdShare(float64(*s.d.Aircraft.Coldest))
		left := float64(src.Capacity) * float64(src.Health) * cold
		last := func(a float64) float64 { return wire.Endurance(left, float64(src.RatedAt), src.Peukert, a) }
		essential, all := s.alternatorLost(src, false), s.alternatorLost(src, true)
		lasts := last(essential)
		need, rule := s.wantedEndurance()
		severity := Note
		if lasts < need {
			severity = authority(rule)
		}
		if !slices.ContainsFunc(s.d.Circuits, func(k *design.Circuit) bool { return k.Essential }) {
			s.find("battery-endurance", Warning, of, numbers{}, wire.EnduranceRule, "no circuit is marked \"essential\": mark what must go on when the alternator is lost")
			continue
		}
		s.find("battery-endurance", severity, of, numbers{lasts, need, "s"}, rule,
			fmt.Sprintf("with the alternator lost, the essential loads draw %s and %s lasts %s (%s if nothing is shed, %s): %v over %s, health %v, %.0f %% of that at %v (%s), Peukert %g",
				amperes(essential), src.Name, duration(lasts), duration(last(all)), amperes(all), src.Capacity, duration(float64(src.RatedAt)), src.Health, 100*cold, *s.d.Aircraft.Coldest, coldRule.Status, src.Peukert))
	}
}

// wantedEndurance is what the design asks for, else what is usual.
func (s *study) wantedEndurance() (float64, wire.Citation) {
	if e := float64(s.d.Aircraft.Endurance); e > 0 {
		return e, wire.Citation{Text: "endurance that the design asks for", Status: wire.OfDesign}
	}
	return 1800, wire.EnduranceRule
}

// Refilling a battery: what it takes more than it gave, and the slowest that is
// still called charging. Common practice.
const (
	chargeLoss  = 1.2
	slowestRate = 10 // hours
)

func (s *study) batteryRefill() {
	for _, b := range s.report.Balance {
		for _, src := range s.d.Sources {
			if src.Kind != design.Battery || src.Capacity == 0 || s.alone(src) {
				continue
			}
			spare := b.Rated - b.Continuous
			slowest := float64(src.Capacity) / slowestRate
			of := subject{src.Pos, src.Name, ""}
			charge := math.Min(spare, float64(src.Charge))
			switch {
			case spare <= 0:
				s.find("battery-refill", Error, of, numbers{spare, slowest, "A"}, wire.Practice,
					fmt.Sprintf("with all continuous loads on, %s has nothing left to charge %s with", b.Source, src.Name))
			case charge < slowest:
				s.find("battery-refill", Warning, of, numbers{charge, slowest, "A"}, wire.Practice,
					fmt.Sprintf("%s has only %s left to charge %s with", b.Source, amperes(spare), src.Name))
			default:
				s.find("battery-refill", Note, of, numbers{charge, slowest, "A"}, wire.Practice,
					fmt.Sprintf("%s has %s left beside all continuous loads; %s is full again in not less than %s", b.Source, amperes(spare), src.Name,
						duration(3600*chargeLoss*float64(src.Capacity)/charge)))
			}
		}
	}
}

// crankingDip solves the whole aircraft with the battery alone, the starter
// motor turning and the essential loads on, and reads the buses.
func (s *study) crankingDip() {
	least, cite := wire.CrankingVoltage(s.nominal)
	for _, w := range s.loads {
		if w.rule != "cranking-drop" {
			continue
		}
		src := s.d.Source(w.from[:len(w.from)-1])
		state := airframe.State{Sources: []string{src.Name}}.Clone()
		for _, k := range s.d.All() {
			state.Closed[k.Name] = true
			state.On[k.Name] = k.Feeder && k.Load == nil || k.Essential && k.Load != nil && k.Load.Duty == design.Continuous
		}
		state.On[w.circuit.Name], state.Working[w.circuit.Name] = true, true
		s.model.Set(state)
		of := ofCircuit(w.circuit)
		lowest, at := always, ""
		for _, b := range s.d.Buses {
			if _, ok := s.reach[src.Name][b.Name]; !ok {
				continue
			}
			v, err := s.model.Volts(b.Name, src.Name+"-")
			if err != nil {
				s.find("cranking-dip", Error, of, numbers{}, cite, fmt.Sprintf("%s: no voltages satisfy the design while cranking: %v", w.circuit.Called(), err))
				return
			}
			if v < lowest {
				lowest, at = v, b.Title
			}
		}
		severity := Note
		if lowest < least {
			severity = Warning
		}
		if at != "" {
			s.find("cranking-dip", severity, of, numbers{lowest, least, "V"}, cite,
				fmt.Sprintf("%s falls to %s while %s draws %s; what works below that must be known from each unit's papers", at, volts(lowest), w.circuit.Called(), amperes(w.amperes)))
		}
	}
}
