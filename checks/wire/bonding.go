package wire

// A Yardstick is a largest or least allowed figure with where it comes from.
type Yardstick struct {
	Value float64
	Rule  Citation
}

// FrameBond is the most in ohms from the exposed conducting frame of a unit, an
// antenna base or a ground point to structure.
func FrameBond() Yardstick { return Yardstick{2.5e-3, BondingRule} }

// JumperBond is the most in ohms that each connection of a bonding jumper may
// show.
func JumperBond() Yardstick { return Yardstick{3e-3, Citation{"AC 43.13-1B 11-189: 3 mΩ", Verified}} }

// StaticBond is the most in ohms from isolated metal larger than a hand to
// structure, to let static charge off.
func StaticBond() Yardstick {
	return Yardstick{1, Citation{"AC 43.13-1B 11-187: 1 Ω is generally enough (text on a training site)", Secondary}}
}

// LeastInsulation is the least in ohms between bare looms and airframe by an
// insulation tester. No authority gives one figure: the aircraft's own documents
// come first.
func LeastInsulation() Yardstick {
	return Yardstick{5e6, Citation{"5 MΩ for a single conductor, training notes; the aircraft's own documents come first", Secondary}}
}
