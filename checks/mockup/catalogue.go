package mockup

import (
	"slices"

	"loomproof/checks/airframe"
	"loomproof/checks/wire"
)

// A Planted is something wrong by name, for the Marsh Hen. The demo offers it, and
// the tests hold each procedure to finding it where it is and nowhere else.
type Planted struct {
	Name  string
	Fault airframe.Fault // what a meter sees; none for what only a person does
	Quirk Quirk          // what a person sees; none for what a meter does

	// Shows are the circuits whose steps fail in the first power-on; none if it
	// does not show there.
	Shows []string
	// Places are where a failed step, in any procedure, is at the right place:
	// circuits, ground points, terminals, antennas, senders.
	Places []string
}

// String says in words what it is.
func (p Planted) String() string {
	if p.Fault.Kind == "" {
		return p.Quirk.Text
	}
	return p.Fault.String()
}

// Faults are the planted faults that a meter sees.
func (p Planted) Faults() []airframe.Fault {
	if p.Fault.Kind == "" {
		return nil
	}
	return []airframe.Fault{p.Fault}
}

// Plant puts it into an aircraft as far as it is a quirk.
func (p Planted) Plant(m *Mockup) {
	if p.Quirk.What != "" {
		m.Plant(p.Quirk)
	}
}

// Catalogue lists the faults that the first power-on of the Marsh Hen finds. The
// first is the demo's own: the circuit works, but its drop is too big.
func Catalogue() []Planted {
	return slices.DeleteFunc(Everything(), func(p Planted) bool { return len(p.Shows) == 0 })
}

// Everything lists all that can be planted, whichever procedure finds it.
func Everything() []Planted {
	avionics := []string{"radio", "transponder", "intercom", "gps", "attitude", "encoder", "map-light", "G4"}
	fault := func(name string, f airframe.Fault, shows []string, places ...string) Planted {
		return Planted{Name: name, Fault: f, Shows: shows, Places: append(places, shows...)}
	}
	seen := func(name string, q Quirk, places ...string) Planted {
		return Planted{Name: name, Quirk: q, Places: places}
	}
	return []Planted{
		fault("high-resistance-joint", airframe.Fault{Kind: airframe.HighResistanceJoint, At: "transponder/1", Size: 0.06}, []string{"transponder"}),
		fault("bad-ground", airframe.Fault{Kind: airframe.BadGround, At: "G4", Size: 0.06}, avionics),
		fault("wrong-gauge", airframe.Fault{Kind: airframe.WrongGauge, At: "landing-light/2", Gauge: mustGauge("20 AWG")}, []string{"landing-light"}),
		fault("oversized-breaker", airframe.Fault{Kind: airframe.OversizedBreaker, At: "cabin-fan", Size: 10}, []string{"cabin-fan"}),
		fault("swapped-circuits", airframe.Fault{Kind: airframe.SwappedCircuits, At: "gps", Other: "attitude"}, []string{"gps", "attitude"}),
		fault("short-to-airframe", airframe.Fault{Kind: airframe.ShortToAirframe, At: "strobe.load+", Size: 0.02}, []string{"strobe"}),
		fault("open-circuit", airframe.Fault{Kind: airframe.OpenCircuit, At: "radio/2"}, []string{"radio"}),
		fault("short-of-main-bus", airframe.Fault{Kind: airframe.ShortToAirframe, At: "main", Size: 0.02}, []string{"master"}),
		fault("short-of-avionics-bus", airframe.Fault{Kind: airframe.ShortToAirframe, At: "avionics", Size: 0.02}, []string{"avionics-master"}),
		fault("short-before-master", airframe.Fault{Kind: airframe.ShortToAirframe, At: "battery+", Size: 0.02}, []string{"master"}),
		fault("parasitic-load", airframe.Fault{Kind: airframe.ParasiticLoad, At: "main", Size: 0.4}, []string{"master"}, "everything"),

		fault("swapped-pins", airframe.Fault{Kind: airframe.SwappedPins, At: "J2.1", Other: "J2.2"}, nil, "radio", "transponder"),
		fault("joined-wires", airframe.Fault{Kind: airframe.Bridge, At: "gps.load+", Other: "attitude.load+", Size: 0.05}, nil, "gps", "attitude"),
		fault("buses-joined", airframe.Fault{Kind: airframe.Bridge, At: "main", Other: "avionics", Size: 0.05}, nil, "master", "avionics-master"),
		fault("live-with-master-off", airframe.Fault{Kind: airframe.Bridge, At: "battery+", Other: "socket.load+", Size: 0.1}, nil, "master", "socket"),
		fault("leak-to-airframe", airframe.Fault{Kind: airframe.ShortToAirframe, At: "strobe.load+", Size: 20e3}, nil, "strobe", "master"),
		fault("poor-insulation", airframe.Fault{Kind: airframe.ShortToAirframe, At: "landing-light.load+", Size: 2e6}, nil, "landing-light", "master"),
		fault("loose-ground", airframe.Fault{Kind: airframe.BadGround, At: "G5", Size: 0.008}, nil, "G5", "strobe", "position-lights"),
		fault("dead-switch", airframe.Fault{Kind: airframe.StuckOpen, At: "landing-light"}, nil, "landing-light"),
		fault("stuck-switch", airframe.Fault{Kind: airframe.StuckClosed, At: "cabin-fan"}, nil, "cabin-fan"),
		fault("broken-return", airframe.Fault{Kind: airframe.OpenCircuit, At: "encoder/2"}, nil, "encoder", "G4"),
		fault("open-sender", airframe.Fault{Kind: airframe.OpenCircuit, At: "oil-temperature"}, nil, "oil-temperature"),
		fault("wrong-sender", airframe.Fault{Kind: airframe.WrongSender, At: "cylinder-head", Size: 0.5}, nil, "cylinder-head"),
		fault("coax-centre-open", airframe.Fault{Kind: airframe.OpenCircuit, At: "vhf-antenna.centre"}, nil, "vhf-antenna"),
		fault("coax-shield-open", airframe.Fault{Kind: airframe.OpenCircuit, At: "transponder-antenna.shield"}, nil, "transponder-antenna"),
		fault("coax-shorted", airframe.Fault{Kind: airframe.Bridge, At: "vhf-antenna.centre", Other: "vhf-antenna.shield", Size: 0.1}, nil, "vhf-antenna"),
		fault("antenna-base-loose", airframe.Fault{Kind: airframe.BadGround, At: "vhf-antenna.base", Size: 0.02}, nil, "vhf-antenna.base"),
		fault("hungry-light", airframe.Fault{Kind: airframe.WrongDraw, At: "landing-light", Size: 1.4}, nil, "landing-light", "everything"),
		fault("weak-feed", airframe.Fault{Kind: airframe.HighResistanceJoint, At: "master/2", Size: 0.004}, nil, "master", "avionics-master"),
		fault("weak-battery", airframe.Fault{Kind: airframe.WeakBattery, At: "battery", Size: 0.02}, nil, "battery", "master"),
		fault("regulator-low", airframe.Fault{Kind: airframe.WrongVoltage, At: "alternator", Size: -0.9}, nil, "alternator-lead"),
		fault("regulator-high", airframe.Fault{Kind: airframe.WrongVoltage, At: "alternator", Size: 0.9}, nil, "alternator-lead"),
		fault("poor-alternator-lead", airframe.Fault{Kind: airframe.HighResistanceJoint, At: "alternator-lead/1", Size: 0.05}, nil, "alternator-lead"),

		seen("wire-at-full-travel", Quirk{What: "full travel", Where: "trim", Text: "the trim switch's wire catches at full travel of the stick"}, "trim"),
		seen("reversed-battery-leads", Quirk{What: "polarity", Where: "battery", Text: "the battery leads are marked the wrong way round"}, "battery"),
		seen("compass-pull", Quirk{What: "compass pull", Where: "panel-lights", Value: 9, Text: "the panel lights' wire passes the compass and pulls it"}, "panel-lights", "compass"),
		seen("strobe-noise", Quirk{What: "noise", Where: "strobe", Value: 40e-3, Text: "the strobe is heard in the headset"}, "strobe", "intercom"),
		seen("locator-battery-past", Quirk{What: "replace by", Where: "locator", Days: -40, Text: "the locator's battery is past its date"}, "locator"),
		seen("locator-guard-missing", Quirk{What: "guard", Where: "locator", Text: "the locator's switch has no guard"}, "locator"),
		seen("clock-wrong", Quirk{What: "clock", Where: "", Text: "the computer's clock is wrong"}, "locator"),
		seen("encoder-wire-crossed", Quirk{What: "altitude shown", Where: "encoder", Text: "two wires from encoder to transponder are crossed"}, "encoder"),
		seen("transponder-test-overdue", Quirk{What: "transponder test", Where: "licensed tests", Days: -900, Text: "the transponder's test is overdue"}, "licensed tests"),
		seen("chafed-loom", Quirk{What: "chafing", Where: "aircraft", Text: "a loom chafes where a clamp is gone"}, "aircraft"),
		seen("tired-battery", Quirk{What: "battery capacity", Where: "battery", Value: 0.7, Text: "the battery's tested capacity is 70 %"}, "battery"),
	}
}

// Find finds what can be planted by name.
func Find(name string) (Planted, bool) {
	for _, p := range Everything() {
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
