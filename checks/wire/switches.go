package wire

// A Nature says what a load does to the switch that closes on it.
type Nature string

// The natures that AC 43.13-1B table 11-4 lists.
const (
	LampLoad      Nature = "lamp"
	InductiveLoad Nature = "inductive"
	ResistiveLoad Nature = "resistive"
	MotorLoad     Nature = "motor"
)

// switchFactors is AC 43.13-1B table 11-4, verified. The table knows 28 V and
// 12 V, no 14 V.
var switchFactors = map[Nature]struct{ at28, at12 float64 }{
	LampLoad:      {8, 5},
	InductiveLoad: {4, 2},
	ResistiveLoad: {2, 1},
	MotorLoad:     {3, 2},
}

// SwitchFactor is how many times a load's continuous current a switch's
// nominal rating must be: AC 43.13-1B table 11-4. From 24 V on, the column for
// 28 V applies, below it that for 12 V. It is 0 for a nature that the table
// does not list.
func SwitchFactor(nominal float64, n Nature) (float64, Citation) {
	f := switchFactors[n]
	if nominal >= 24 {
		return f.at28, Citation{"AC 43.13-1B table 11-4, 28 V column", Verified}
	}
	return f.at12, Citation{"AC 43.13-1B table 11-4, 12 V column", Verified}
}
