// Package modbus reads meters on Modbus RTU: panel meters, shunt meters, power
// meters with an RS-485 line.
//
//	m, err := modbus.ReadMap("panel-meter.yaml", text)
//	conn, err := port.Open("/dev/ttyUSB0", mode)
//	meter, err := modbus.Open(ctx, conn, modbus.Options{Name: "panel meter", Map: m, Mode: mode})
//	r, err := meter.Read(ctx, "bus voltage")
//
// [Open] gives a probe.Source. Which register holds what, and how, says a [Map]:
// a small file for each kind of meter, read by [ReadMap]; testdata/panel-
// meter.yaml is one with every key, [Schema] describes it for editors. Only
// function codes 3 and 4 are used, which read: nothing is ever written to the
// meter.
//
// # On the line
//
//	request  address  function  register(2)  count(2)  CRC(2)
//	answer   address  function  bytes        data...   CRC(2)
//	refusal  address  function|80h  code               CRC(2)
//
// Numbers have their high byte first, the CRC its low byte. Before a request the
// line has been silent for 3.5 characters of 11 bits, or 1.75 ms above 19200 Bd
// (Modbus over serial line, V1.02, 2.5.1). The standard also voids a frame with
// a gap of more than 1.5 characters inside; behind a USB adapter, which delivers
// in pieces, such gaps are no sign of anything, so that here length and CRC
// decide, and a frame is given up after a gap of 50 ms more than 3.5 characters.
//
// An answer is looked for anywhere in what came, so that an RS-485 line that
// sends the request back, and noise before the answer, do no harm. It must have
// the address, function and length that were asked for.
//
// # What is promised
//
// The CRC (polynomial 8005h) sees every change of up to three bits, of any odd
// number of bits, and every burst of up to 16 bits; of other changes it lets one
// in 65536 pass. What is not an answer at all passes with one in 2^40 for each
// place that it could begin at, since address, function and length must be right
// too.
//
// Answers have no number of their own: one that comes late looks like the answer
// to the next request of the same length. So after any silence the meter is
// first asked for no registers at all, with the other function code, and what
// comes before its refusal of that is dropped. Opening finds out whether the
// meter answers that. One that does not is listened to for another Timeout: it
// must answer within two, or its late answer may be taken for another.
//
// # Where FullScale and Digit come from
//
// Both from the map: FullScale is its range, Digit what a step of the register
// is worth, or step where the register holds a floating-point number.
package modbus
