// Package scpi reads bench meters and programmable supplies that speak
// IEEE 488.2 and SCPI-1999 over a serial line.
//
//	meter, err := scpi.OpenMeter(ctx, conn, scpi.MeterOptions{Options: scpi.Options{Name: "bench meter"}})
//	r, err := meter.Read(ctx, "voltage")
//
// [OpenMeter] gives a probe.Source with the channels "voltage" (DC),
// "current" (DC), "resistance" (two-wire) and "resistance-4w". [OpenSupply]
// gives a probe.Supply that reads back "voltage" and "current". Both own the
// line from then on, also when they fail.
//
// # What is promised
//
// A value is only reported when the instrument sent it as the answer to that
// very query. Each message carries a number of its own, which the instrument
// sends back behind its answers:
//
//	*ESE 137;:READ?;:FETC?;:FUNC?;*ESE?
//	+1.23456789E+00;+1.23456789E+00;"VOLT";137
//
// The event-status enable register (*ESE) is only a mask for a service request
// that nobody takes over a serial line, and IEEE 488.2 makes every instrument
// have it. A late answer carries an older number and is dropped. SCPI has no
// check sum, so a meter's result is sent twice, and a number that is written
// with more or fewer characters than the last one must come five times running
// (the very first number three times). So lost and changed characters are seen,
// unless the same is changed in both copies. And the function is asked after
// the result, so that a hand on the front panel does not turn ohms into volts.
//
// An instrument that can't take joined commands is set to Plain. Then each
// query goes alone, the result comes once, and *IDN? brings the two back in
// step after a missed answer. That does not see changed characters, nor an
// answer that is sent twice: use parity on such a line.
//
// # Where FullScale and Digit come from
//
// FullScale is the answer to VOLT:DC:RANG? (and so on) for a meter, asked when
// the function is chosen and again whenever a value leaves the part of the
// range that automatic ranging keeps to; for a supply it is the rating. Digit
// is one step of the last place that was sent; where an instrument always
// sends nine digits that says too little, and with Counts set Digit is at
// least FullScale / Counts.
package scpi
