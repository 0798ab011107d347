package groundrun

import (
	"loomproof/checks/verdict"
	"loomproof/checks/wire"
)

// The limits that ground runs are held to. Those of 28 V systems for 14 V, and
// the other way round, are marked as derived by proportion.
var (
	lowBus = wire.Citation{Text: "AC 43.13-1B CHG 1 11-35: low-bus warning below 13 V (14 V) or 26 V (28 V)", Status: wire.Verified}

	overRelay14 = wire.Citation{Text: "service manual of a 14 V twin: over-voltage relay opens at 15.5 V to 16.5 V", Status: wire.Verified}
	overRelay28 = wire.Citation{Text: "service manual of a 28 V twin: over-voltage relay opens at 31.5 V to 32.5 V", Status: wire.Verified}

	holds28 = wire.Citation{Text: "component manual of a 28 V regulator: holds ±0.25 V from 0 A to 60 A", Status: wire.Verified}
	holds14 = wire.Citation{Text: "component manual of a 28 V regulator: ±0.25 V from 0 A to 60 A; half of it at 14 V", Status: wire.Derived}

	rippleSwing14 = wire.Citation{Text: "guided alternator test of an oscilloscope maker: 0.5 V peak to peak", Status: wire.Verified}
	rippleSwing28 = wire.Citation{Text: "guided alternator test of an oscilloscope maker: 0.5 V peak to peak at 12 V; twice that at 28 V", Status: wire.Derived}

	sixPulse  = wire.Citation{Text: "ideal six-pulse bridge: no line below the sixth; half of the sixth allowed for windings that differ", Status: wire.Derived}
	earthOhms = wire.Citation{Text: "AC 43.13-1B: 5 mΩ from the source's ground point counts as satisfactory", Status: wire.Verified}
	noneOut   = wire.Citation{Text: "AC 43.13-1B 11-35: an ammeter that shows no discharge means that the source is not overloaded", Status: wire.Verified}
	batteryIs = practice("at most twice the internal resistance that the design states")
	letsGo    = practice("with its field open an alternator gives nothing; 1 A at 14 V allowed for the shunt's zero and what magnetism is left")
	beltHolds = practice("a belt loses at most 3 % of its speed from no load to full")

	envelope704 = wire.Citation{Text: "MIL-STD-704F normal transients", Status: wire.Memory}
	envelope14  = wire.Citation{Text: "MIL-STD-704F normal transients at 28 V (from memory), by proportion", Status: wire.Derived}
)

func (a *analysis) at(v14, v28 wire.Citation) wire.Citation {
	if a.rep.Nominal == 28 {
		return v28
	}
	return v14
}

// regulation is the span that the regulator should hold.
func (a *analysis) regulation() verdict.Limit {
	low, high, cite := wire.Regulation(a.rep.Nominal)
	return verdict.Limit{Low: verdict.AtLeast(low, cite), High: verdict.AtMost(high, cite)}
}

// overRelay is where an over-voltage relay may open at the earliest.
func (a *analysis) overRelay() verdict.Limit {
	if a.rep.Nominal == 28 {
		return verdict.Limit{High: verdict.AtMost(31.5, overRelay28)}
	}
	return verdict.Limit{High: verdict.AtMost(15.5, overRelay14)}
}
