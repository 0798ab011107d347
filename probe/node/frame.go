package node

import (
	"bytes"
	"errors"
)

// A Type is the first byte of a frame. The numbers are on the wire of boards in
// the field and never change; new ones get new numbers.
type Type uint8

// Host to board. 0x0B is reserved, see PROTOCOL.md.
const (
	HelloRequest     Type = 0x01
	StartCommand     Type = 0x02
	StopCommand      Type = 0x03
	KeepAlive        Type = 0x04
	CutCommand       Type = 0x05
	RestorePower     Type = 0x06
	LimitCommand     Type = 0x07
	ReadCalibration  Type = 0x08
	WriteCalibration Type = 0x09
	MonitorCommand   Type = 0x0A
)

// Board to host.
const (
	HelloMessage       Type = 0x81
	SamplesMessage     Type = 0x82
	StateMessage       Type = 0x83
	NoteMessage        Type = 0x84
	CalibrationMessage Type = 0x85
	MonitorMessage     Type = 0x86
)

// maxFrame is the most that a frame holds, checksum included: one COBS block.
const maxFrame = 254

// A Frame is one message as it came. Body is good until the decoder's next call.
type Frame struct {
	Type Type
	Body []byte
}

// What can be wrong with a frame.
var (
	ErrBadFrame    = errors.New("not a frame")
	ErrBadChecksum = errors.New("wrong checksum")
)

// AppendFrame appends the bytes of one frame as they go on the line: stuffed,
// checksummed and ended. A body has at most 251 bytes.
//
//	COBS( type | body | CRC, high byte first ) 00
//
// The zero byte stands for "end" alone, so that a reader who lost bytes finds
// the next frame; the checksum covers type and body.
func AppendFrame(dst []byte, t Type, body ...byte) []byte {
	crc := crcByte(crcPreset, byte(t))
	for _, b := range body {
		crc = crcByte(crc, b)
	}
	s := stuffer{dst: append(dst, 0), code: len(dst)}
	s.put(byte(t))
	for _, b := range body {
		s.put(b)
	}
	s.put(byte(crc >> 8))
	s.put(byte(crc))
	s.end()
	return append(s.dst, 0)
}

// A stuffer does COBS (Cheshire and Baker, IEEE/ACM Transactions on Networking
// 7(2), April 1999): each zero gives way to the distance to the next one.
type stuffer struct {
	dst  []byte
	code int // where the distance in work is to be written
}

func (s *stuffer) put(b byte) {
	if len(s.dst)-s.code == 0xFF {
		s.end()
		s.code = len(s.dst)
		s.dst = append(s.dst, 0)
	}
	if b == 0 {
		s.end()
		s.code = len(s.dst)
	}
	s.dst = append(s.dst, b)
}

func (s *stuffer) end() { s.dst[s.code] = byte(len(s.dst) - s.code) }

// unstuff undoes COBS into dst and returns how much it wrote.
func unstuff(dst, src []byte) (int, error) {
	n := 0
	for i := 0; i < len(src); {
		code := int(src[i])
		next := i + code
		if code == 0 || next > len(src) || n+code-1 > len(dst) {
			return 0, ErrBadFrame
		}
		n += copy(dst[n:], src[i+1:next])
		if i = next; code != 0xFF && i < len(src) {
			if n == len(dst) {
				return 0, ErrBadFrame
			}
			dst[n] = 0
			n++
		}
	}
	return n, nil
}

// The checksum is CRC-16/IBM-3740: polynomial 0x1021, preset 0xFFFF, not
// reflected, no final exclusive-or; over "123456789" it is 0x29B1. Sent high
// byte first it makes the sum over a whole frame zero.
const crcPreset = 0xFFFF

// crcTables[k][b] is the checksum, from preset 0, of byte b and k zero bytes, so
// that eight bytes are worked out side by side.
var crcTables = func() (tables [8][256]uint16) {
	for i := range 256 {
		crc := uint16(i) << 8
		for range 8 {
			if crc&0x8000 != 0 {
				crc = crc<<1 ^ 0x1021
			} else {
				crc <<= 1
			}
		}
		tables[0][i] = crc
	}
	for k := 1; k < len(tables); k++ {
		for i := range 256 {
			before := tables[k-1][i]
			tables[k][i] = before<<8 ^ tables[0][before>>8]
		}
	}
	return tables
}()

func crcByte(crc uint16, b byte) uint16 { return crc<<8 ^ crcTables[0][byte(crc>>8)^b] }

func checksum(p []byte) uint16 {
	crc := uint16(crcPreset)
	t := &crcTables
	for ; len(p) >= 8; p = p[8:] {
		crc = t[7][p[0]^byte(crc>>8)] ^ t[6][p[1]^byte(crc)] ^ t[5][p[2]] ^ t[4][p[3]] ^
			t[3][p[4]] ^ t[2][p[5]] ^ t[1][p[6]] ^ t[0][p[7]]
	}
	for _, b := range p {
		crc = crcByte(crc, b)
	}
	return crc
}

// A Decoder finds the frames in what a line brings. The zero value is ready.
// It holds one frame at most and allocates nothing.
type Decoder struct {
	raw    [maxFrame + 2]byte // what came since the last zero
	n      int
	long   bool // more came than fits
	synced bool // a zero has been seen
	frame  [maxFrame]byte
}

// Next takes bytes from p up to the end of a frame and returns what is left of
// p. Without a whole frame, the Frame's Type is zero. An error tells that what
// ended here was damaged; go on with rest. What comes before the first end of
// a frame may be half a frame, and is dropped without an error.
func (d *Decoder) Next(p []byte) (f Frame, rest []byte, err error) {
	end := bytes.IndexByte(p, 0)
	if end < 0 {
		d.keep(p)
		return Frame{}, nil, nil
	}
	raw := p[:end]
	if d.n > 0 || d.long {
		d.keep(raw)
		raw = d.raw[:d.n]
	}
	f, err = d.decode(raw)
	if !d.synced {
		err = nil
	}
	d.n, d.long, d.synced = 0, false, true
	return f, p[end+1:], err
}

// inFrame says that a frame has begun and not ended.
func (d *Decoder) inFrame() bool { return d.n > 0 || d.long }

func (d *Decoder) keep(p []byte) {
	if len(p) > len(d.raw)-d.n {
		d.long = true
	}
	d.n += copy(d.raw[d.n:], p)
}

func (d *Decoder) decode(raw []byte) (Frame, error) {
	if len(raw) == 0 {
		return Frame{}, nil
	}
	n, err := unstuff(d.frame[:], raw)
	if err != nil || d.long || n < 3 {
		return Frame{}, ErrBadFrame
	}
	if checksum(d.frame[:n]) != 0 {
		return Frame{}, ErrBadChecksum
	}
	return Frame{Type: Type(d.frame[0]), Body: d.frame[1 : n-2]}, nil
}
