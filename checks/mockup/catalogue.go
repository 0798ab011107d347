package mockup

import (
	"loomproof/checks/airframe"
	"loomproof/checks/wire"
)

// A Planted is a fault by name, for the Marsh Hen: the demo offers it, and the
// tests hold the first power-on to finding it in these circuits and nowhere
// else.
type Planted struct {
	Name  string
	Fault airframe.Fault
	Shows []string // circuits whose steps fail
}

// Catalogue lists the faults that the demo can plant in the Marsh Hen. The
// first is the demo's own: the circuit works, but its drop is too big.
func Catalogue() []Planted {
	return []Planted{
		{"high-resistance-joint", airframe.Fault{Kind: airframe.HighResistanceJoint, At: "transponder/1", Size: 0.06}, []string{"transponder"}},
		{"bad-ground", airframe.Fault{Kind: airframe.BadGround, At: "G4", Size: 0.06}, []string{"radio", "transponder", "intercom", "gps", "attitude", "encoder", "map-light", "G4"}},
		{"wrong-gauge", airframe.Fault{Kind: airframe.WrongGauge, At: "landing-light/2", Gauge: mustGauge("20 AWG")}, []string{"landing-light"}},
		{"oversized-breaker", airframe.Fault{Kind: airframe.OversizedBreaker, At: "cabin-fan", Size: 10}, []string{"cabin-fan"}},
		{"swapped-circuits", airframe.Fault{Kind: airframe.SwappedCircuits, At: "gps", Other: "attitude"}, []string{"gps", "attitude"}},
		{"short-to-airframe", airframe.Fault{Kind: airframe.ShortToAirframe, At: "strobe.load+", Size: 0.02}, []string{"strobe"}},
		{"open-circuit", airframe.Fault{Kind: airframe.OpenCircuit, At: "radio/2"}, []string{"radio"}},
		{"short-of-main-bus", airframe.Fault{Kind: airframe.ShortToAirframe, At: "main", Size: 0.02}, []string{"master"}},
		{"short-of-avionics-bus", airframe.Fault{Kind: airframe.ShortToAirframe, At: "avionics", Size: 0.02}, []string{"avionics-master"}},
		{"short-before-master", airframe.Fault{Kind: airframe.ShortToAirframe, At: "battery+", Size: 0.02}, []string{"master"}},
		{"parasitic-load", airframe.Fault{Kind: airframe.ParasiticLoad, At: "main", Size: 0.4}, []string{"master"}},
	}
}

// Find finds a fault of the catalogue by name.
func Find(name string) (Planted, bool) {
	for _, p := range Catalogue() {
		if p.Name == name {
			return p, true
		}
	}
	return Planted{}, false
}

func mustGauge(text string) wire.Gauge {
	g, err := wire.ParseGauge(text)
	if err != nil {
		panic(err)
	}
	return g
}
