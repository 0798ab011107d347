package bench

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"time"

	"loomproof/probe"
)

// HandheldOptions say what kind of handheld meter it is.
type HandheldOptions struct {
	Seed     uint64        // of its errors, its noise and its faults
	Accuracy Accuracies    // the line within which its own errors lie; none for a perfect meter
	Counts   int           // steps in each range; 0 for 4000
	Noise    float64       // standard deviation of the noise, in steps of the last place
	Interval time.Duration // between conversions; 0 for a third of a second

	// Ohms and Amperes are what stands at the leads on the other functions;
	// without one the leads touch nothing.
	Ohms, Amperes func() (value float64, touching bool)
}

// HandheldFaults are what such meters, their leads and their owners do wrong.
type HandheldFaults struct {
	Hold, Relative, LowBattery bool
	AC                         bool    // turned to AC
	Silent                     bool    // sending is off
	Leading                    string  // sent once before the next frame
	NoFirst                    bool    // leaves out the first byte
	Drop                       float64 // chance that a byte is lost on the line
	Alter                      float64 // chance that a bit is changed on the line
	Double                     float64 // chance that a byte comes twice
}

// A Handheld is an emulated handheld meter, which sends what its display shows
// after each conversion, in frames of 14 bytes, at the pace of 2400 baud.
//
// A conversion takes what stands at the leads when it begins, so that a driver
// that takes an old one for new is found out. It begins when the result of the
// one before is sent.
type Handheld struct {
	options HandheldOptions

	mu       sync.Mutex
	random   *rand.Rand
	function *dial
	dials    []*dial
	faults   HandheldFaults
	held     []string // segments that show while HOLD is pressed
}

// A dial is one position of the meter's dial: its ranges and what they show.
type dial struct {
	name        string // V, A, OHM, DIODE
	value       func() (float64, bool)
	open        float64 // what leads that touch nothing give
	ranges      []lcdRange
	annunciator []string // that always show

	gain, offsetSteps float64 // its own errors, fixed for its life
}

// An lcdRange is how a range shows: places after the point, and a prefix.
type lcdRange struct {
	decimals int
	prefix   string
	factor   float64 // of the prefix
}

func (r lcdRange) step() float64 { return math.Pow10(-r.decimals) * r.factor }

// NewHandheld makes a meter that is turned to volts. Volts is asked what stands
// at the leads, and whether they touch anything; it is called from the goroutine
// that serves.
func NewHandheld(volts func() (value float64, touching bool), options HandheldOptions) *Handheld {
	if options.Counts == 0 {
		options.Counts = 4000
	}
	if options.Interval == 0 {
		options.Interval = time.Second / 3
	}
	h := &Handheld{options: options, random: rand.New(rand.NewPCG(options.Seed, 0x1cd))}
	plain := []lcdRange{{3, "", 1}, {2, "", 1}, {1, "", 1}, {0, "", 1}}
	h.dials = []*dial{
		{name: "V", value: volts, ranges: plain, annunciator: []string{"V"}},
		{name: "A", value: options.Amperes, ranges: plain[:2], annunciator: []string{"A"}},
		{name: "OHM", value: options.Ohms, open: math.Inf(1), annunciator: []string{"Ω"}, ranges: []lcdRange{
			{1, "", 1}, {3, "k", 1e3}, {2, "k", 1e3}, {1, "k", 1e3}, {3, "M", 1e6}, {2, "M", 1e6},
		}},
		{name: "DIODE", value: volts, open: math.Inf(1), ranges: plain[:1], annunciator: []string{"V", "diode"}},
	}
	for i, q := range []probe.Quantity{probe.Voltage, probe.Current, probe.Resistance, probe.Voltage} {
		a, draw := options.Accuracy[q], h.random.Float64
		h.dials[i].gain, h.dials[i].offsetSteps = 0.9*a.OfReading*(2*draw()-1), 0.9*a.Digits*(2*draw()-1)
	}
	h.function = h.dials[0]
	return h
}

// Turn is a hand on the dial: V, A, OHM or DIODE.
func (h *Handheld) Turn(name string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, d := range h.dials {
		if d.name == name {
			h.function = d
		}
	}
}

// SetFaults puts faults in, or with the zero value takes them out.
func (h *Handheld) SetFaults(f HandheldFaults) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.faults = f
	if !f.Hold {
		h.held = nil
	}
}

// Serve sends frames on the instrument's end of a line until the line closes,
// and then returns nil.
func (h *Handheld) Serve(rw io.ReadWriteCloser) error {
	const perByte = 10 * time.Second / 2400
	shows := h.convert()
	for {
		wait(h.options.Interval - 14*perByte)
		next := h.convert()
		began := time.Now()
		for i, piece := range h.line(encodeLCD(shows)) {
			wait(time.Until(began.Add(time.Duration(i+1) * perByte)))
			if _, err := rw.Write(piece); err != nil {
				return unlessClosed(err)
			}
		}
		wait(time.Until(began.Add(14 * perByte)))
		shows = next
	}
}

// line is what a bad line makes of a frame, byte by byte.
func (h *Handheld) line(frame []byte) (pieces [][]byte) {
	h.mu.Lock()
	defer h.mu.Unlock()
	f := &h.faults
	if f.Leading != "" {
		pieces = append(pieces, []byte(f.Leading))
		f.Leading = ""
	}
	if f.Silent {
		return append(pieces, nil) // which still finds out that the line has closed
	}
	if f.NoFirst {
		frame = frame[1:]
	}
	chance := func(p float64) bool { return p > 0 && h.random.Float64() < p }
	for _, b := range frame {
		for bit := range 8 {
			if chance(f.Alter) {
				b ^= 1 << bit
			}
		}
		switch {
		case chance(f.Drop):
		case chance(f.Double):
			pieces = append(pieces, []byte{b, b})
		default:
			pieces = append(pieces, []byte{b})
		}
	}
	return pieces
}

// convert begins a conversion, and says what will show.
func (h *Handheld) convert() []string {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.held != nil {
		return h.held
	}
	shows := append([]string{"AUTO", "sends"}, h.function.annunciator...)
	switch d := h.function.name; {
	case d == "OHM" || d == "DIODE":
	case h.faults.AC:
		shows = append(shows, "AC")
	default:
		shows = append(shows, "DC")
	}
	shows = append(shows, h.number()...)
	for word, on := range map[string]bool{"REL": h.faults.Relative, "battery": h.faults.LowBattery, "HOLD": h.faults.Hold} {
		if on {
			shows = append(shows, word)
		}
	}
	if h.faults.Hold {
		h.held = shows
	}
	return shows
}

// number is the segments of the value, on the lowest range that holds it.
func (h *Handheld) number() []string {
	d := h.function
	value, touching := 0.0, false
	if d.value != nil {
		value, touching = d.value()
	}
	if !touching {
		value = d.open
		if value == 0 {
			value = 0.002 * h.random.NormFloat64() // what open leads pick up
		}
	}
	value += d.gain * value
	noise := h.options.Noise * h.random.NormFloat64()
	for _, r := range d.ranges {
		steps := math.Round(value/r.step() + d.offsetSteps + noise)
		if math.Abs(steps) < float64(h.options.Counts) {
			return append(segments(fmt.Sprintf("%04d", int(math.Abs(steps))), r.decimals, steps < 0), r.prefix)
		}
	}
	last := d.ranges[len(d.ranges)-1]
	return append(segments(" 0L ", max(1, last.decimals), value < 0), last.prefix)
}

// shapesLCD are the characters by the segments that are dark: A top, then
// clockwise to F, G in the middle.
var shapesLCD = map[rune]string{
	'0': "ABCDEF", '1': "BC", '2': "ABDEG", '3': "ABCDG", '4': "BCFG", '5': "ACDFG", '6': "ACDEFG", '7': "ABC",
	'8': "ABCDEFG", '9': "ABCDFG", 'L': "DEF", ' ': "",
}

// segments names what is dark for four characters: "1A" is the top of the first.
func segments(text string, decimals int, negative bool) (dark []string) {
	for i, c := range text {
		for _, s := range shapesLCD[c] {
			dark = append(dark, fmt.Sprintf("%d%c", i+1, s))
		}
	}
	if decimals > 0 {
		dark = append(dark, fmt.Sprintf("point%d", 5-decimals))
	}
	if negative {
		dark = append(dark, "minus")
	}
	return dark
}

// placesLCD names the segments of each byte, from the bit that is worth 8.
var placesLCD = [14]string{
	"AC DC AUTO sends",
	"minus 1E 1F 1A", "1D 1C 1G 1B",
	"point2 2E 2F 2A", "2D 2C 2G 2B",
	"point3 3E 3F 3A", "3D 3C 3G 3B",
	"point4 4E 4F 4A", "4D 4C 4G 4B",
	"µ n k diode", "m % M beep", "F Ω REL HOLD", "A V Hz battery", "- °C - -",
}

// encodeLCD is the frame in which these segments are dark.
func encodeLCD(dark []string) []byte {
	frame := make([]byte, 0, 14)
	for i, names := range placesLCD {
		b := byte(i+1) << 4
		for bit, name := range strings.Fields(names) {
			for _, d := range dark {
				if d == name {
					b |= 8 >> bit
				}
			}
		}
		frame = append(frame, b)
	}
	return frame
}
