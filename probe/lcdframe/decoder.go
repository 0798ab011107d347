package lcdframe

import (
	"errors"
	"fmt"
)

// frameLength is the number of bytes in a frame. The first may be missing.
const frameLength = 14

// ErrBadFrame is what came and was not a frame.
var ErrBadFrame = errors.New("bad frame")

// A Frame is the segments of one frame, four bits for each place.
type Frame struct {
	nibbles [frameLength]byte
	first   bool // the first byte came
}

// A Decoder finds frames in a stream of bytes. Its zero value is ready.
type Decoder struct {
	frame Frame
	place int  // of the last byte, 0 between frames
	lost  bool // an error was told, and no frame has begun since
}

// Next takes bytes until a frame is whole or something is wrong, and returns
// the rest of them. It is called until no bytes are left. Without a whole frame
// ok is false. An error wraps ErrBadFrame; it comes once for each piece that is
// no frame, however long.
func (d *Decoder) Next(p []byte) (f Frame, ok bool, rest []byte, err error) {
	for i, b := range p {
		place := int(b >> 4)
		switch {
		case place == d.place+1 && d.place > 0: // the next one
		case place == 1 || place == 2:
			err = d.broken(b)
			d.frame = Frame{first: place == 1}
			d.lost = false
		case d.place == 0 && b == 0, d.lost: // sent at power-up, or of what was told already
			continue
		default:
			if err = d.broken(b); err == nil {
				err = fmt.Errorf("%w: byte %02X stands where a frame should begin", ErrBadFrame, b)
			}
			d.place, d.lost = 0, true
			return Frame{}, false, p[i+1:], err
		}
		d.place = place
		d.frame.nibbles[place-1] = b & 0xF
		if place == frameLength {
			d.place = 0
			return d.frame, true, p[i+1:], nil
		}
		if err != nil {
			return Frame{}, false, p[i+1:], err
		}
	}
	return Frame{}, false, nil, nil
}

// broken is the error when a byte ends a frame that has begun.
func (d *Decoder) broken(b byte) error {
	if d.place == 0 {
		return nil
	}
	return fmt.Errorf("%w: byte %02X came after place %d", ErrBadFrame, b, d.place)
}
