// Package lcdframe reads handheld meters that send what their display shows:
// frames of 14 bytes at 2400 baud, one for each conversion, unasked. Each byte
// holds its place in the frame, 1 to 14, in the upper four bits and four
// segments of the display in the lower four.
//
//	conn, err := port.Open("/dev/ttyUSB0", lcdframe.Line)
//	meter, err := lcdframe.Open(ctx, conn, lcdframe.Options{Name: "handheld"})
//	r, err := meter.Read(ctx, "voltage")
//
// [Open] gives a probe.Source. What its dial is turned to is what it can read;
// asked for anything else it refuses, with which way to turn. [Decoder] and
// [Display] are the frame alone.
//
// # The frame
//
//	place  8      4      2      1
//	  1    AC     DC     AUTO   sends
//	  2    minus  1E     1F     1A        E F A: segments of the first digit
//	  3    1D     1C     1G     1B
//	  4    point  2E     2F     2A        a point before the second digit
//	  5    2D     2C     2G     2B
//	 6, 7 and 8, 9 the same for the third and fourth digit
//	 10    micro  nano   kilo   diode
//	 11    milli  %      mega   beep
//	 12    farad  ohm    REL    HOLD
//	 13    ampere volt   hertz  low battery
//	 14    -      °C     -      -         differs between makers
//
// Segments: A top, B upper right, C lower right, D bottom, E lower left, F
// upper left, G middle. The first byte is not always sent; a zero byte comes
// when the meter is switched on.
//
// The table is that of a public protocol note for a handheld meter (W. Mason, R.
// Garner), with one frame that a meter sent; the framing was read in a second
// text too. The chip maker's data sheet could not be had. The bits "sends" and
// "low battery" are from memory. Bit 4 of place 14 is taken for °C only where no
// other unit shows.
//
// # What is promised
//
// A frame has no check sum. Bytes lost, doubled or out of order are always
// seen, by the places; segments that are no digit, two units or prefixes, two
// points, and a prefix that the unit never has are refused. What still passes, of
// all changes to a set of good frames (made and checked by TestResidual):
//
//	one bit changed                     7.1 %
//	two bits changed                    1.47 %
//	all segments random, places right   2e-10
//	all bytes random                    3e-27
//	with the frame before it agreeing:
//	one bit changed                     0.8 %, by no more than Flicker
//	one bit changed in both             0.061 %
//
// So one frame is never believed: a reading is given when two frames running
// show the same in everything but the digits, and numbers that differ by no more
// than Options.Flicker steps of the last place; else they are refused as unsteady. To
// pass, a change must come twice running in the same place, or be no more than
// those steps. At rest this costs no time, since the frame before is known; after a
// change of the display it costs one frame, a third of a second.
//
// A reading is fresh: its conversion began no earlier than 0.1 s before the
// call. Such meters begin a conversion when they send the last one, so that the
// first frame after a call counts only if the frame before it was
// sent at the call.
//
// # Where FullScale and Digit come from
//
// Digit is one step of the last place, by the point that shows. FullScale is
// Options.Counts such steps.
package lcdframe
