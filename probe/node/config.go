package node

import (
	"cmp"
	"fmt"
	"math"
	"math/bits"
	"time"

	"loomproof/probe"
	"loomproof/probe/port"
)

// Line is how the board's line is set: 1 Mbaud, 8N1.
var Line = port.Mode{Baud: 1_000_000, DataBits: 8}

// What is used where a Config says nothing.
const (
	DefaultRate         = 500 // scans a second
	DefaultOversampling = 1
	DefaultWindow       = 100 * time.Millisecond
	DefaultBlock        = 5 * time.Millisecond
)

// Config says what stands at the board's inputs and how they are sampled.
type Config struct {
	Name     string // of the source, for people
	Channels []ChannelConfig

	// Rate is in scans a second; a scan takes one sample of each channel. It
	// bounds Rate × channels × Oversampling at what the board can convert
	// (8333 a second for ours). 0 means 500.
	Rate float64

	// Oversampling is how many conversions are summed into a sample: 1, 2, 4,
	// 8, 16, 32 or 64. 0 means 1.
	Oversampling int

	// Window is how long a reading is averaged. 0 means 100 ms; at least one
	// scan is taken.
	Window time.Duration

	// Block is how long the board gathers scans before it sends them, in whole
	// milliseconds, 1 to 20; a limit that this computer watches is seen so
	// late. 0 means 5 ms. At least one scan is gathered.
	Block time.Duration

	// MonitorOhms is the shunt of a shunt monitor that the config does not
	// name in Channels, to make amperes of it. 0 leaves it in volts.
	MonitorOhms float64
	// MonitorInterval is from one reading of the monitor to the next, 10 ms to
	// 1 s. 0 means 20 ms.
	MonitorInterval time.Duration

	Calibrated  time.Time // when the inputs were compared with a better meter; the board's own calibration comes first
	Certificate string
}

// ChannelConfig is one input. A reading is volts at the pin × Scale + Offset,
// unless the board holds a calibration for the pin, which comes first.
type ChannelConfig struct {
	Name     string
	Quantity probe.Quantity
	Pin      int     // the converter's channel, 0 to 7, or [MonitorBus], [MonitorShunt]
	Scale    float64 // unit of Quantity per volt; 4 behind a 1:4 divider. 0 means 1
	Offset   float64 // in the unit of Quantity

	// Accuracy of the whole input as it was built, not calibrated: divider or
	// shunt, amplifier, reference and converter. Its digits are counted in the
	// reading's Digit.
	Accuracy probe.Accuracy

	// Drift is what may have moved since the calibration that the board holds;
	// it counts beside that calibration's own uncertainty, instead of Accuracy.
	// Zero means 0.2 % of reading and a digit.
	Drift probe.Accuracy

	// GroundIsZero says that code 0 is a true reading: the input cannot go
	// below ground, so that the lowest code means "less than one step" and not
	// "past the end".
	GroundIsZero bool

	nominalScale, nominalOffset float64 // as the config has them
	stored                      Stored
}

func (c Config) withDefaults() Config {
	c.Rate = cmp.Or(c.Rate, DefaultRate)
	c.Oversampling = cmp.Or(c.Oversampling, DefaultOversampling)
	c.Window = cmp.Or(c.Window, DefaultWindow)
	c.Block = cmp.Or(c.Block, DefaultBlock)
	c.MonitorInterval = cmp.Or(c.MonitorInterval, DefaultMonitorInterval)
	c.Channels = append([]ChannelConfig(nil), c.Channels...)
	for i := range c.Channels {
		ch := &c.Channels[i]
		ch.Scale = cmp.Or(ch.Scale, 1)
		ch.nominalScale, ch.nominalOffset = ch.Scale, ch.Offset
	}
	return c
}

// Check tells the first mistake that can be seen without a board; [Open] does, too.
func (c Config) Check() error { return c.withDefaults().check() }

// check tells the first mistake that can be seen without a board.
func (c Config) check() error {
	switch {
	case len(c.Channels) == 0:
		return c.mistake("no channels; name at least one")
	case !(c.Rate > 0) || math.IsInf(c.Rate, 0):
		return c.mistake("rate %v is not a number of scans a second above 0", c.Rate)
	case c.Oversampling < 1 || c.Oversampling > 1<<maxShift || bits.OnesCount(uint(c.Oversampling)) != 1:
		return c.mistake("oversampling %d is none of 1, 2, 4, 8, 16, 32, 64", c.Oversampling)
	case c.Window < 0 || c.Window > time.Minute:
		return c.mistake("window %v is outside 0 to 1 min", c.Window)
	case c.Block < time.Millisecond || c.Block > 20*time.Millisecond || c.Block%time.Millisecond != 0:
		return c.mistake("block %v is not a whole number of milliseconds from 1 to 20", c.Block)
	case !(c.MonitorOhms >= 0) || math.IsInf(c.MonitorOhms, 0):
		return c.mistake("monitor shunt %v Ω is not a number of at least 0", c.MonitorOhms)
	case c.MonitorInterval < 10*time.Millisecond || c.MonitorInterval > time.Second:
		return c.mistake("monitor interval %v is outside 10 ms to 1 s", c.MonitorInterval)
	}
	seen := map[string]bool{}
	for _, ch := range c.Channels {
		switch {
		case ch.Name == "":
			return c.mistake("a channel on pin %d has no name", ch.Pin)
		case seen[ch.Name]:
			return c.mistake("two channels are called %q", ch.Name)
		case ch.Quantity.Unit() == "":
			return c.mistake("channel %q: quantity %q is unknown", ch.Name, ch.Quantity)
		case ch.Pin < 0 || ch.Pin > MonitorShunt:
			return c.mistake("channel %q: pin %d is outside 0 to 7, and 8 and 9 of a shunt monitor", ch.Name, ch.Pin)
		case !isFinite(ch.Scale) || !isFinite(ch.Offset):
			return c.mistake("channel %q: scale %v and offset %v must be numbers", ch.Name, ch.Scale, ch.Offset)
		}
		seen[ch.Name] = true
	}
	return nil
}

func isFinite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

func (c Config) mistake(format string, args ...any) error {
	return fmt.Errorf("node %s: %w", c.Name, fmt.Errorf(format, args...))
}

func (c Config) mask() uint8 {
	var mask uint8
	for _, ch := range c.Channels {
		if !ch.onMonitor() {
			mask |= 1 << ch.Pin
		}
	}
	if mask == 0 {
		return 1 // a stream tells that the board lives
	}
	return mask
}

// start is the stream that the config asks for, from the board that said hello.
func (c Config) start(h Hello) (Start, error) {
	for _, ch := range c.Channels {
		if !ch.onMonitor() && ch.Pin >= int(h.Channels) {
			return Start{}, c.mistake("channel %q: pin %d, but the board has pins 0 to %d", ch.Name, ch.Pin, h.Channels-1)
		}
	}
	s := Start{Mask: c.mask(), Shift: uint8(bits.Len(uint(c.Oversampling)) - 1), BlockMS: uint8(c.Block / time.Millisecond)}
	conversions := bits.OnesCount8(s.Mask) * c.Oversampling
	interval := math.Round(float64(h.TickHz) / (c.Rate * float64(conversions)))
	fastest := float64(h.TickHz) / float64(h.ShortestTicks) / float64(conversions)
	slowest := float64(h.TickHz) / float64(h.LongestTicks) / float64(conversions)
	switch {
	case interval < float64(h.ShortestTicks):
		return Start{}, c.mistake("%g scans a second of %d pins with %d conversions each are too many; this board does %.4g: lower the rate or the oversampling",
			c.Rate, bits.OnesCount8(s.Mask), c.Oversampling, fastest)
	case interval > float64(h.LongestTicks):
		return Start{}, c.mistake("%g scans a second are too few; this board does no less than %.4g: raise the rate or the oversampling", c.Rate, slowest)
	}
	s.Period = uint32(interval) * uint32(conversions)
	return s, nil
}
