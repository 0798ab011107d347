package modbus

import (
	"bytes"
	"fmt"
)

// crcTable is for CRC-16/MODBUS: polynomial 8005h, reflected, preset FFFFh.
var crcTable = func() (t [256]uint16) {
	for i := range t {
		c := uint16(i)
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ 0xA001
			} else {
				c >>= 1
			}
		}
		t[i] = c
	}
	return t
}()

// crc is sent with its low byte first; over a whole good frame it is zero.
func crc(p []byte) uint16 {
	c := uint16(0xFFFF)
	for _, b := range p {
		c = c>>8 ^ crcTable[byte(c)^b]
	}
	return c
}

// A request asks for registers.
type request struct {
	address  byte // 1 to 247
	function byte // 3 or 4
	register uint16
	count    uint16 // to 125: an answer has at most 256 bytes
}

// Append appends the frame.
func (r request) Append(b []byte) []byte {
	start := len(b)
	b = append(b, r.address, r.function, byte(r.register>>8), byte(r.register), byte(r.count>>8), byte(r.count))
	c := crc(b[start:])
	return append(b, byte(c), byte(c>>8))
}

// marker is a request whose answer cannot be mistaken for one to r: for no
// registers at all, with the other function code. A meter refuses that. Since meters
// answer in order, what comes behind the refusal is fresh.
func (r request) marker() request { return request{address: r.address, function: 7 - r.function} }

// An exception is a meter's refusal of a request.
type exception byte

// exceptions are those of the Modbus application protocol, V1.1b3, section 7 (from memory).
var exceptions = map[exception]string{
	1: "illegal function", 2: "illegal data address", 3: "illegal data value", 4: "device failure", 5: "acknowledge",
	6: "busy", 8: "memory parity error", 10: "gateway path unavailable", 11: "gateway target does not answer",
}

func (e exception) String() string {
	if text, ok := exceptions[e]; ok {
		return fmt.Sprintf("exception %d, %s", byte(e), text)
	}
	return fmt.Sprintf("exception %d", byte(e))
}

// passing tells an exception that asks to try again.
func (e exception) passing() bool { return e == 5 || e == 6 }

// An outcome is what stands in the bytes that came after a request. Of what is
// no answer to it, the higher tells more.
type outcome int

const (
	nothing outcome = iota // no byte, or only the request sent back
	noise                  // no whole answer
	foreign                // a whole answer of another address, or to another request
	damaged                // the answer with a wrong CRC
	excepted
	answered
)

// An answer is what was found after a request.
type answer struct {
	outcome outcome
	data    []byte    // answered: the registers, high byte first
	code    exception // excepted
	from    byte      // foreign: whose it is
}

// find looks for the answer to a request in what came so far.
func (r request) find(came []byte) (a answer) {
	var sent [8]byte
	frame := r.Append(sent[:0])
	if bytes.HasPrefix(came, frame) {
		came = came[len(frame):] // an RS-485 line that sends back
	} else if bytes.HasPrefix(frame, came) {
		return answer{}
	}
	for ; len(came) > 0; came = came[1:] {
		a.outcome = max(a.outcome, noise)
		length, mine := r.length(came)
		if length == 0 || len(came) < length {
			continue
		}
		good := crc(came[:length]) == 0
		switch {
		case mine && !good:
			a.outcome = max(a.outcome, damaged)
		case mine && came[1]&0x80 != 0:
			return answer{outcome: excepted, code: exception(came[2])}
		case mine:
			return answer{outcome: answered, data: came[3 : length-2]}
		case good && a.outcome < foreign:
			a.outcome, a.from = foreign, came[0]
		}
	}
	return a
}

// length is how long the answer is that begins here, zero if none can, and
// whether it would be the one to the request.
func (r request) length(p []byte) (length int, mine bool) {
	if len(p) < 3 {
		return 0, false
	}
	address, function, size := p[0], p[1], p[2]
	switch {
	case function == 0x83 || function == 0x84:
		return 5, address == r.address && function == r.function|0x80
	case function == 3 || function == 4:
		return 5 + int(size), address == r.address && function == r.function && int(size) == 2*int(r.count)
	}
	return 0, false
}
