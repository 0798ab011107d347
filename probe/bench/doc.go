// Package bench emulates instruments, and the faults of real ones, for the
// demo and the tests.
//
// Start with [NewCable]: a line with two ends, a pseudo-terminal where the
// system has one, so that the program opens it as it opens a serial port.
// Hang an instrument on the device's end and open the other:
//
//	cable, err := bench.NewCable()
//	meter := bench.NewMeter(volts, bench.MeterOptions{Seed: 1})
//	go meter.Serve(cable.Device())
//	conn, err := cable.Open(port.Mode{})
//
// The package knows no aircraft. An instrument asks what stands at its leads
// now, through a small function or interface given to it; whoever makes the
// instrument joins it to what it measures.
//
// What an emulated instrument adds is its own: errors drawn from a seed inside
// its accuracy line, noise, rounding, the time a conversion takes, and the
// [Faults] put into it. It shares no code with the drivers that read it.
package bench
