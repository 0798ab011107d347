package network

import "math"

// A Source is a battery, a supply or an alternator.
type Source struct {
	Volts    float64 // open-circuit voltage, 0 V or more
	Ohms     float64 // internal resistance, above 0 Ω
	Limit    float64 // largest current it delivers, in amperes; 0 is no limit
	Isolated bool    // a diode keeps current from flowing into it
}

// offLeak is the conductance of a source that gives constant current or is
// blocked, in siemens: it keeps the tangent from vanishing, and carries less
// than a microampere.
const offLeak = 1e-9

func (s *Source) through(v float64) (amperes, slope float64) {
	amperes, slope = (v-s.Volts)/s.Ohms, 1/s.Ohms
	switch {
	case s.Limit > 0 && amperes < -s.Limit:
		edge := s.Volts - s.Limit*s.Ohms
		return -s.Limit + offLeak*(v-edge), offLeak
	case s.Isolated && amperes > 0:
		return offLeak * (v - s.Volts), offLeak
	}
	return amperes, slope
}

func (s *Source) tangent(v float64) line {
	amperes := (v - s.Volts) / s.Ohms
	switch {
	case s.Limit > 0 && amperes < -s.Limit:
		return line{offLeak, -s.Limit - offLeak*(s.Volts-s.Limit*s.Ohms)}
	case s.Isolated && amperes > 0:
		return line{offLeak, -offLeak * s.Volts}
	}
	return line{1 / s.Ohms, -s.Volts / s.Ohms}
}

// opening takes a source at no load when nothing is known yet.
func (s *Source) opening(v float64) line {
	if math.IsNaN(v) {
		return line{1 / s.Ohms, -s.Volts / s.Ohms}
	}
	return s.tangent(v)
}

// Limiting tells whether the source is at its current limit at a terminal
// voltage.
func (s Source) Limiting(volts float64) bool {
	return s.Limit > 0 && (s.Volts-volts)/s.Ohms >= s.Limit*(1-1e-9)
}

// A Kind says how a load's current follows its voltage.
type Kind int

// The kinds of load.
const (
	Resistive Kind = iota // current in proportion to voltage
	Current               // constant current
	Power                 // constant power: a switching converter
	Lamp                  // filament: current as the voltage to the power 0.55
)

// lampExponent: a filament's current grows as a power of its voltage, between
// 0.5 and 0.6 in handbooks. From memory; no published source at hand.
const lampExponent = 0.55

// A Load takes current from its first node to its second.
//
// Below a voltage each load becomes a resistor that joins its curve there:
// constant current and constant power below Dropout (a converter stops
// converting), a lamp below a tenth of At (a cold filament). No load ever
// delivers current.
type Load struct {
	Kind    Kind
	Draw    float64 // at the voltage At: watts for Power, else amperes; 0 or more
	At      float64 // the voltage that Draw is stated for, above 0 V
	Dropout float64 // in volts; 0 means half of At
}

func (l *Load) knee() float64 {
	switch l.Kind {
	case Lamp:
		return l.At / 10
	case Resistive:
		return math.Inf(1)
	}
	if l.Dropout > 0 {
		return l.Dropout
	}
	return l.At / 2
}

func (l *Load) through(v float64) (amperes, slope float64) {
	switch knee := l.knee(); {
	case l.Draw == 0:
		return 0, 0
	case v < knee && l.Kind == Resistive:
		g := l.Draw / l.At
		return g * v, g
	case v < knee:
		at, _ := l.curve(knee)
		return at / knee * v, at / knee
	}
	return l.curve(v)
}

// Current is what the load takes in amperes at a voltage, 0 V or more.
func (l Load) Current(volts float64) float64 {
	amperes, _ := l.through(volts)
	return amperes
}

// curve is the load's current above its knee.
func (l *Load) curve(v float64) (amperes, slope float64) {
	switch l.Kind {
	case Power:
		return l.Draw / v, -l.Draw / (v * v)
	case Lamp:
		i := l.Draw * math.Pow(v/l.At, lampExponent)
		return i, i * lampExponent / v
	}
	return l.Draw, 0
}

func (l *Load) tangent(v float64) line {
	if l.Draw == 0 {
		return line{}
	}
	amperes, slope := l.through(v)
	if v < l.knee() {
		return line{slope, 0}
	}
	return line{slope, amperes - slope*v}
}

// opening takes a load as the resistor that draws the same. A falling curve
// (constant power) has no place to rest when its breaker has just been opened;
// a resistor goes to 0 V at once, and the tangents go on from there.
func (l *Load) opening(v float64) line {
	if math.IsNaN(v) || v <= 0 {
		v = l.At
	}
	amperes, _ := l.through(v)
	return line{amperes / v, 0}
}

// Starved tells whether the load has less voltage than it works with.
func (l Load) Starved(volts float64) bool {
	return (l.Kind == Power || l.Kind == Current) && l.Draw > 0 && volts < l.knee()
}
