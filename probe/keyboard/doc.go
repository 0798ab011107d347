// Package keyboard is a source whose readings a person types: an analogue
// meter, or any that has no lead.
//
//	meter, err := keyboard.Open(ctx, keyboard.Lines(os.Stdin, os.Stdout), keyboard.Options{
//		Name:   "panel voltmeter",
//		Scales: []keyboard.Scale{{Channel: "voltage", Quantity: probe.Voltage, High: 30, Class: 1.5, Division: 0.5}},
//	})
//	r, err := meter.Read(ctx, "voltage")
//
// [Open] gives a probe.Source. Each Read asks once, through an [Ask]: a function
// that puts a question to a person and returns the line that was typed. [Lines]
// makes one of a terminal.
//
// # What can be typed
//
// A number with a point or a comma, "12.4" or "12,4", in the unit that the
// question names; or with a unit and its prefix, "540 mV", "4.7k". OL in any
// spelling, or "> 20 M", stands for overload: the refusal then has in Above what
// the value is above, the end of the scale or what was typed. Refused are another
// unit, AC, a number outside the meter's scale, what is no number, and what can be
// read two ways, as "1,200".
//
// # Where the uncertainty comes from
//
// The class index of IEC 60051-1 is the limit of error in per cent of the fiducial
// value: the end of the scale, or the sum of both ends where zero is inside it
// (the standard was not at hand: from memory). A pointer is read to a fifth of a
// division (common practice). A meter that shows digits has no Division; then Digit
// is one step of the last place that was typed.
package keyboard
