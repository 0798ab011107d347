package charging

import (
	"fmt"
	"math"
)

// A Fault is one thing that is wrong, with how much.
type Fault struct {
	Kind FaultKind
	Size float64
}

// FaultKind says what is wrong; beside each, what Size is.
type FaultKind string

// The faults.
const (
	OpenDiode      FaultKind = "open diode"        // ohms in series with one diode; +Inf is open
	ShortedDiode   FaultKind = "shorted diode"     // ohms of the junction that conducts both ways
	OpenPhase      FaultKind = "open phase"        // ohms in series with one phase; +Inf is open
	SlippingBelt   FaultKind = "slipping belt"     // part of the speed that is lost at 30 A in a 14 V system
	Hunting        FaultKind = "regulator hunting" // seconds by which the regulator sees the voltage late; its band shrinks to a tenth
	HighSetPoint   FaultKind = "high set-point"    // volts too high
	LowSetPoint    FaultKind = "low set-point"     // volts too low
	Sulphated      FaultKind = "sulphated battery" // how often its resistances are the sound ones, above 1
	BadEarth       FaultKind = "bad main earth"    // ohms more between engine block and battery
	NoCharge       FaultKind = "no charge"         // no size: the field gets no current
	NoAudioFilter  FaultKind = "no audio filter"   // no size: the bus reaches the audio supply as it is
	FlatBattery    FaultKind = "flat battery"      // part of the capacity that is in it at the start
	BadOutputJoint FaultKind = "bad output joint"  // ohms more between alternator and bus
)

func (f Fault) String() string {
	switch {
	case f.Size == 0:
		return string(f.Kind)
	case math.IsInf(f.Size, 1):
		return string(f.Kind) + ", complete"
	}
	return fmt.Sprintf("%s, %.3g %s", f.Kind, f.Size, f.Kind.Unit())
}

// Unit is that of the fault's Size.
func (k FaultKind) Unit() string {
	switch k {
	case OpenDiode, ShortedDiode, OpenPhase, BadEarth, BadOutputJoint:
		return "Ω"
	case Hunting:
		return "s"
	case HighSetPoint, LowSetPoint:
		return "V"
	case Sulphated:
		return "times"
	}
	return "of 1"
}

func (m *Model) put(f Fault) {
	b, c := &m.bridge, &m.c
	switch f.Kind {
	case OpenDiode:
		b.upper[1] += f.Size
	case ShortedDiode:
		b.shortUpper[1], b.upper[1] = true, f.Size
	case OpenPhase:
		b.phase[1] += f.Size
	case SlippingBelt:
		m.slip = f.Size
	case Hunting:
		m.extra = f.Size
		c.Regulator.Lag += f.Size
		c.Regulator.Band /= 10
	case HighSetPoint:
		c.Regulator.Set += f.Size
	case LowSetPoint:
		c.Regulator.Set -= f.Size
	case Sulphated:
		c.Battery.Ohms *= f.Size
		c.Battery.Slow *= f.Size
		c.Battery.Filling *= f.Size
		c.Battery.Capacity /= math.Sqrt(f.Size)
	case BadEarth:
		c.Wiring.Earth += f.Size
	case NoCharge:
		m.open = true
	case NoAudioFilter:
		c.Wiring.AudioHz = 0
	case FlatBattery:
		c.Battery.Charge = f.Size
	case BadOutputJoint:
		c.Wiring.Output += f.Size
	default:
		panic(fmt.Sprintf("charging: unknown fault %q", f.Kind))
	}
}
