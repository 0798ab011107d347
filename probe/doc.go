// Package probe says what a reading is and where it comes from.
//
// A [Source] is anything that gives readings: a multimeter, a node (a
// microcontroller board with our firmware), a programmable supply, the
// keyboard. Open one from the packages below (scpi, lcdframe, modbus, node,
// keyboard) on a port from package port, then take readings:
//
//	r, err := source.Read(ctx, "voltage")
//
// A [Reading] is a value that can be trusted as far as its accuracy says.
// What cannot be trusted is never a Reading: it comes back as a [Refusal],
// with the reason and what to do about it, and counted in the source's
// [Counters]. [Guard] adds what no single reading shows: frozen and stale.
//
// Nothing in this package or below it knows an aircraft.
package probe
