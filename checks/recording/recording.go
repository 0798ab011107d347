// Package recording says what a recording is, whoever keeps it: channels of
// samples, the gaps in them, and markers. Stores and imports make one, analyses
// and pictures read it.
//
//	for block, err := range r.Blocks(channel, 0, math.Inf(1)) {
//		if err != nil { ... }
//		for i, code := range block.Codes {
//			t, v := block.At(i), r.Channels()[channel].Value(code)
//		}
//	}
//	buckets, err := r.View(channel, 0, 60, 2000)   // min, max, mean for a picture
//
// # Time
//
// Times are seconds of the host's clock since the recording's Start, as float64:
// after ten hours a step is still below 10 ps. Samples of a node are stamped by
// the board; the store maps the board's clock to the host's and says in
// Channel.Clock how well. Within a block the samples are evenly spaced and none
// is missing. What is missing stands between blocks, and nothing fills it in.
package recording

import (
	"iter"
	"math"
	"time"

	"loomproof/probe"
)

// NoDate is the Start of a recording whose date nobody knows, as of a log that
// counts seconds from its own start. See [Dated].
var NoDate = time.Unix(0, 0).UTC()

// Dated tells whether a recording's Start says when it was made. A log whose clock
// was never set counts from [NoDate] on, so that nothing in 1970 is a date.
func Dated(start time.Time) bool { return start.Year() > NoDate.Year() }

// A Recording is a high-rate log of channels, as of a ground run.
//
// A channel is named by its index in Channels. Methods may be called by one
// goroutine at a time.
type Recording interface {
	// Start is the moment that times count from; [Dated] tells whether it is known.
	Start() time.Time

	// Channels are what was recorded. The slice is not to be changed.
	Channels() []Channel

	// Markers are in the order of time.
	Markers() []Marker

	// Span is the time of a channel's first sample and the end of its last
	// one (its time plus its step). Both are 0 when there are none.
	Span(channel int) (from, to float64)

	// Blocks are the blocks of a channel that have samples in [from, to), in
	// the order of time. The first and last may reach beyond. A block is good
	// until the next one is asked for. An error ends the sequence.
	Blocks(channel int, from, to float64) iter.Seq2[Block, error]

	// View is what a picture of [from, to) needs: n buckets of equal width.
	// What it costs depends on n and not on the time between.
	View(channel int, from, to float64, n int) ([]Bucket, error)
}

// A Channel is one quantity at one place.
type Channel struct {
	Name     string         `json:"name"`  // what people call it, unique in the recording
	Role     Role           `json:"role"`  // what it is of in a charging system; "" is something else
	Where    string         `json:"where"` // source and its channel: "node-1/ch0"
	Quantity probe.Quantity `json:"quantity"`

	// value = Offset + Scale × code, in the quantity's SI unit. Scale is one
	// step of the converter and above 0.
	Scale  float64 `json:"scale"`
	Offset float64 `json:"offset"`

	// Codes at or below Low, or at or above High, also stand for everything
	// beyond. Both 0: the converter's ends are not known.
	Low  int32 `json:"low"`
	High int32 `json:"high"`

	Rate   float64 `json:"rate_hz"`  // samples a second; 0: no fixed rate
	Window float64 `json:"window_s"` // the time that one sample is the mean of; 0: an instant, or not known

	Accuracy  probe.Accuracy `json:"accuracy"`
	FullScale float64        `json:"full_scale"` // in the SI unit, for the accuracy's percent of range

	Clock Clock `json:"clock"`
}

// Value is what a code stands for, in the quantity's SI unit.
func (c Channel) Value(code int32) float64 { return c.Offset + c.Scale*float64(code) }

// AtEnd says that a code is one of the converter's ends: no reading, but the
// least or most that it can show.
func (c Channel) AtEnd(code int32) bool {
	return c.Low != c.High && (code <= c.Low || code >= c.High)
}

// Uncertainty is the standard uncertainty (k = 1) that the accuracy gives to
// one value of the channel, in its SI unit. What all samples have in common,
// such as a gain, does not shrink in their mean.
func (c Channel) Uncertainty(value float64) float64 {
	return c.Accuracy.HalfWidth(value, c.Scale, c.FullScale) / math.Sqrt(3)
}

// A Role is what a channel is of in a charging system.
type Role string

// The roles that the analysis knows. A current into the battery is positive:
// charging.
const (
	BusVolts          Role = "bus voltage"
	BatteryVolts      Role = "battery voltage"       // at its own posts
	AlternatorVolts   Role = "alternator voltage"    // at its output post
	AudioVolts        Role = "audio supply voltage"  // at the radio's or the intercom's supply pins
	GroundVolts       Role = "ground voltage"        // engine block or ground block against the battery's minus post
	BatteryCurrent    Role = "battery current"       // positive: charging
	AlternatorCurrent Role = "alternator current"    // positive: delivering
	LoadCurrent       Role = "load current"          // of all loads
	EngineSpeed       Role = "engine speed"          // Hz: revolutions a second
	RegulatorCelsius  Role = "regulator temperature" // also of the air around it
	BatteryCelsius    Role = "battery temperature"   // °C
	FieldVolts        Role = "alternator field voltage"
)

// Roles lists every role.
func Roles() []Role {
	return []Role{
		BusVolts, BatteryVolts, AlternatorVolts, AudioVolts, GroundVolts, BatteryCurrent, AlternatorCurrent, LoadCurrent,
		EngineSpeed, RegulatorCelsius, BatteryCelsius, FieldVolts,
	}
}

// Quantity is what a channel of the role measures.
func (r Role) Quantity() probe.Quantity {
	switch r {
	case BusVolts, BatteryVolts, AlternatorVolts, AudioVolts, GroundVolts, FieldVolts:
		return probe.Voltage
	case BatteryCurrent, AlternatorCurrent, LoadCurrent:
		return probe.Current
	case EngineSpeed:
		return probe.Frequency
	case RegulatorCelsius, BatteryCelsius:
		return probe.Temperature
	}
	return ""
}

// A Clock says how the time of a channel's samples was found.
type Clock struct {
	Device   string  `json:"device"`     // whose clock stamps the samples; "": the host's
	Drift    float64 `json:"drift"`      // how much faster it runs than the host's: 50e-6 is 50 ppm
	DriftU   float64 `json:"drift_u"`    // standard uncertainty of Drift
	Residual float64 `json:"residual_s"` // standard deviation about the fitted line, in seconds
}

// A Block is samples of one channel, evenly spaced, none missing among them.
type Block struct {
	Start float64 // time of the first sample, in seconds since the recording's start
	Step  float64 // from sample to sample, in seconds, on the host's clock; 0 in a block of one sample without a rate
	Codes []int32
}

// At is the time of sample i.
func (b Block) At(i int) float64 { return b.Start + float64(i)*b.Step }

// End is where the next sample would stand.
func (b Block) End() float64 { return b.At(len(b.Codes)) }

// A Marker is a moment that somebody or something named.
type Marker struct {
	At   float64 `json:"at_s"`
	Kind Kind    `json:"kind"` // what the analysis may rely on; "" is free text
	Text string  `json:"text"` // in the words of who set it
	By   string  `json:"by"`   // a person, a procedure, a watched limit
}

// A Kind is what a marker means to the analysis.
type Kind string

// The kinds of marker.
const (
	Crank    Kind = "crank"     // the starter is engaged now
	Started  Kind = "started"   // the engine runs
	SpeedSet Kind = "speed set" // the engine speed is set and will be held
	LoadIn   Kind = "load in"
	LoadOut  Kind = "load out"
	FieldOff Kind = "field off" // the alternator's field breaker or switch is opened
	FieldOn  Kind = "field on"
	Shutdown Kind = "shutdown"
)

// Kinds lists every kind that is not free text.
func Kinds() []Kind {
	return []Kind{Crank, Started, SpeedSet, LoadIn, LoadOut, FieldOff, FieldOn, Shutdown}
}

// A Bucket is what a stretch of a channel holds, in its SI unit.
type Bucket struct {
	From, To       float64 // seconds
	Count          int64   // samples in it; 0: Min, Max and Mean are 0
	Min, Max, Mean float64
}

// A Gap is a stretch where samples are missing.
type Gap struct {
	From, To float64 // end of what is before and begin of what is after, in seconds
	Lost     int64   // samples that would have fitted in, at the rate before it
}

// Gaps are the gaps of a channel with a rate in [from, to), in the order of
// time: wherever a block begins more than half a step after the one before it
// ended. It reads the whole stretch.
func Gaps(r Recording, channel int, from, to float64) ([]Gap, error) {
	var gaps []Gap
	var before Block
	for b, err := range r.Blocks(channel, from, to) {
		if err != nil {
			return gaps, err
		}
		if g, ok := Between(before, b); ok {
			gaps = append(gaps, g)
		}
		before = Block{b.Start, b.Step, b.Codes}
	}
	return gaps, nil
}

// Between is the gap between two blocks that follow each other, if there is
// one. Of a block before it uses no codes but their number.
func Between(before, after Block) (Gap, bool) {
	if before.Step <= 0 || len(before.Codes) == 0 {
		return Gap{}, false
	}
	missing := (after.Start - before.End()) / before.Step
	if missing <= 0.5 {
		return Gap{}, false
	}
	return Gap{before.End(), after.Start, int64(math.Round(missing))}, true
}
