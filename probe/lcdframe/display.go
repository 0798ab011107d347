package lcdframe

import (
	"fmt"
	"math"
	"strings"

	"loomproof/probe"
)

// Flags are what a display shows beside the number.
type Flags uint32

// The flags, a bit for each place and segment: four bits of the bytes 1, 10 to 14.
const (
	Auto       Flags = 0x00_0002
	DC         Flags = 0x00_0004
	AC         Flags = 0x00_0008
	Diode      Flags = 0x00_0010
	kilo       Flags = 0x00_0020
	nano       Flags = 0x00_0040
	micro      Flags = 0x00_0080
	Beep       Flags = 0x00_0100
	mega       Flags = 0x00_0200
	Percent    Flags = 0x00_0400
	milli      Flags = 0x00_0800
	Hold       Flags = 0x00_1000
	Relative   Flags = 0x00_2000
	Ohm        Flags = 0x00_4000
	Farad      Flags = 0x00_8000
	LowBattery Flags = 0x01_0000
	Hertz      Flags = 0x02_0000
	Volt       Flags = 0x04_0000
	Ampere     Flags = 0x08_0000
	Celsius    Flags = 0x40_0000

	units    = Percent | Ohm | Farad | Hertz | Volt | Ampere
	prefixes = kilo | nano | micro | mega | milli

	// ignored is sent alike whatever shows, or differs between makers: "sends", and
	// all of place 14 but °C.
	ignored = 0xB0_0001
)

// prefixesOf are the prefixes that a unit is ever shown with.
var prefixesOf = map[Flags]Flags{
	Volt: milli | micro, Ampere: milli | micro, Ohm: kilo | mega, Hertz: kilo | mega,
	Farad: milli | micro | nano, Percent: 0, Celsius: 0,
}

// A Display is what a meter's display shows.
type Display struct {
	Steps    int  // the number without its point, signed
	Decimals int  // places after the point
	Overload bool // an L shows: there is no number
	Flags    Flags
	Unit     Flags // the one of Percent, Ohm, Farad, Hertz, Volt, Ampere, Celsius that shows
	Unmarked bool  // the byte that holds AC and DC was not sent
}

// What a place of the display shows beside the digits 0 to 9.
const (
	letterL = 10
	blank   = 11
	noDigit = 12
)

// shapes are the digits by their segments, upper four bits without the point.
var shapes = func() (s [128]byte) {
	for i := range s {
		s[i] = noDigit
	}
	for what, segments := range [...]byte{0x7D, 0x05, 0x5B, 0x1F, 0x27, 0x3E, 0x7E, 0x15, 0x7F, 0x3F, 0x68, 0x00} {
		s[segments] = byte(what)
	}
	return s
}()

// Display reads the segments. The error wraps ErrBadFrame and says what cannot
// show on a display.
func (f Frame) Display() (Display, error) {
	d := Display{Unmarked: !f.first}
	if err := d.number(&f.nibbles); err != nil {
		return Display{}, err
	}
	d.Flags = Flags(f.nibbles[0]) &^ ignored
	for i, nibble := range f.nibbles[9:] {
		d.Flags |= Flags(nibble) << (4 + 4*i) &^ ignored
	}
	if err := d.unit(); err != nil {
		return Display{}, err
	}
	return d, nil
}

// number reads the digits, the point and the sign.
func (d *Display) number(nibbles *[frameLength]byte) error {
	digits, points, letters := 0, 0, 0
	gap := false // blanks stand before the digits, or beside an L
	for i := range 4 {
		upper, lower := nibbles[1+2*i], nibbles[2+2*i]
		if i > 0 && upper&8 != 0 {
			points++
			d.Decimals = 4 - i
		}
		switch what := shapes[upper&7<<4|lower]; {
		case what == noDigit:
			return fmt.Errorf("%w: digit %d has segments %02X, which are no digit", ErrBadFrame, i+1, upper&7<<4|lower)
		case what == letterL:
			letters++
		case what == blank:
			gap = gap || digits > 0
		default:
			d.Steps = 10*d.Steps + int(what)
			digits++
		}
	}
	switch d.Overload = letters == 1; {
	case points > 1:
		return fmt.Errorf("%w: %d points show", ErrBadFrame, points)
	case letters > 1 || d.Overload && d.Steps != 0:
		return fmt.Errorf("%w: letters and digits show together", ErrBadFrame)
	case (digits == 0 || gap) && !d.Overload:
		return fmt.Errorf("%w: no whole number shows", ErrBadFrame)
	}
	if nibbles[1]&8 != 0 {
		d.Steps = -d.Steps
	}
	return nil
}

// unit finds the one unit that shows, and that its prefix goes with it.
func (d *Display) unit() error {
	d.Unit = d.Flags & units
	if d.Unit == 0 {
		d.Unit = d.Flags & Celsius
	} else {
		d.Flags &^= Celsius // another maker's
	}
	allowed, one := prefixesOf[d.Unit]
	prefix := d.Flags & prefixes
	switch {
	case !one:
		return fmt.Errorf("%w: no unit or two units show", ErrBadFrame)
	case prefix&(prefix-1) != 0 || prefix&^allowed != 0:
		return fmt.Errorf("%w: a prefix shows that this unit never has", ErrBadFrame)
	}
	return nil
}

// step is what one step of the last place is worth, in the SI unit.
func (d Display) step() float64 {
	exponent := -d.Decimals
	switch d.Flags & prefixes {
	case nano:
		exponent -= 9
	case micro:
		exponent -= 6
	case milli:
		exponent -= 3
	case kilo:
		exponent += 3
	case mega:
		exponent += 6
	}
	return math.Pow10(exponent)
}

// value is the number in the SI unit, rounded once.
func (d Display) value() float64 {
	if step := d.step(); step < 1 {
		return float64(d.Steps) / math.Round(1/step)
	}
	return float64(d.Steps) * d.step()
}

// Quantity is what the unit measures; empty for farads and per cent, which no
// source gives.
func (d Display) Quantity() probe.Quantity {
	switch d.Unit {
	case Volt:
		return probe.Voltage
	case Ampere:
		return probe.Current
	case Ohm:
		return probe.Resistance
	case Hertz:
		return probe.Frequency
	case Celsius:
		return probe.Temperature
	}
	return ""
}

// words are how a display's flags read, in the order that they are told.
var words = []struct {
	flag Flags
	word string
}{
	{nano, "n"},
	{micro, "µ"},
	{milli, "m"},
	{kilo, "k"},
	{mega, "M"},
	{Volt, "V"},
	{Ampere, "A"},
	{Ohm, "Ω"},
	{Hertz, "Hz"},
	{Farad, "F"},
	{Percent, "%"},
	{Celsius, "°C"},
	{AC, " AC"},
	{DC, " DC"},
	{Diode, " diode"},
	{Beep, " beep"},
	{Relative, " REL"},
	{Hold, " HOLD"},
	{LowBattery, " low battery"},
}

// String is the display in letters, as "-398.7 mV DC".
func (d Display) String() string {
	var s strings.Builder
	if d.Overload {
		s.WriteString("0L ")
	} else {
		fmt.Fprintf(&s, "%.*f ", d.Decimals, float64(d.Steps)/math.Pow10(d.Decimals))
	}
	for _, w := range words {
		if d.Flags&w.flag != 0 {
			s.WriteString(w.word)
		}
	}
	return s.String()
}
