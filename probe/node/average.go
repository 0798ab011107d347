package node

import (
	"math"
	"time"

	"loomproof/probe"
)

// The most that averaging may refine a step. The steps of a converter are not
// all of one width, and no averaging mends that; four bits is common practice.
const finest = 1.0 / 16

// The fewest scans whose scatter is taken at its word.
const fewest = 10

// A tally is what a reading is made of: the sums of one pin over some scans.
type tally struct {
	scans         int
	conversions   int // in each
	total, square float64
	low, high     bool // a sum was at the end of the range
}

// add takes one sum of conversions. A mean within one code of an end can hide
// conversions that were at the end.
func (t *tally) add(sum uint16, conversions, top int) {
	t.conversions = conversions
	t.count(float64(sum))
	t.low = t.low || int(sum) < conversions
	t.high = t.high || int(sum) > conversions*(top-1)
}

// addSigned takes one code of the shunt monitor.
func (t *tally) addSigned(code int16) {
	t.conversions = 1
	t.count(float64(code))
	t.low = t.low || code == math.MinInt16
	t.high = t.high || code == math.MaxInt16
}

func (t *tally) count(v float64) {
	t.scans++
	t.total += v
	t.square += v * v
}

func (t *tally) saturated(ch *ChannelConfig) bool { return t.high || t.low && !ch.GroundIsZero }

// code is the mean code of a single conversion.
func (t *tally) code() float64 { return t.total / float64(t.scans*t.conversions) }

// refine is the part of a step that a mean resolves, from the scatter of what
// was averaged.
//
// Averaging helps only where noise carries the signal over several codes. With
// normal noise of σ steps the codes scatter by s² = σ² + 1/12, and the error
// that quantisation leaves in the mean is at most e^(-2π²σ²)/π steps: 0.0023
// at σ = 1/2, 0.05 at σ = 0.3, the full half step at none (Widrow and Kollár,
// Quantization Noise, 2008; from memory, tested by simulation). A signal that
// sits on the edge between two codes scatters by up to s = 1/2 without any
// noise to speak of. So: below s = 1/√3, which is σ = 1/2, a mean is worth one
// step. Above, it is worth √3·s/√M steps for M conversions, whose standard
// uncertainty by [probe.Accuracy] is then the standard error of the mean. It
// never gets finer than a sixteenth, and ten scans are needed to know a
// scatter. Conversions are taken as independent; hum
// and ripple are not noise, so let the window hold whole periods of them.
func (t *tally) refine() float64 {
	if t.scans < fewest {
		return 1
	}
	n := float64(t.scans)
	variance := max(0, (t.square-t.total*t.total/n)/(n-1))
	scatter := math.Sqrt(variance / float64(t.conversions))
	if scatter < 1/math.Sqrt(3) {
		return 1
	}
	return max(finest, math.Sqrt(3)*scatter/math.Sqrt(n*float64(t.conversions)))
}

// reading turns a tally into one. A code of the converter stands for voltages
// from code to code+1 steps of V_ref/1024, so the middle of them is half a step
// above; the shunt monitor rounds to the nearest.
func (n *Node) reading(ch *ChannelConfig, t *tally, at time.Time) probe.Reading {
	reference := float64(n.hello.ReferenceMV) / 1000
	step := reference / math.Exp2(float64(n.hello.Bits))
	volts := (t.code() + 0.5) * step
	if ch.onMonitor() {
		step = float64(n.hello.MonitorBusUV) * 1e-6
		if ch.Pin == MonitorShunt {
			step = float64(n.hello.MonitorShuntNV) * 1e-9
		}
		reference = math.MaxInt16 * step
		volts = t.code() * step
	}
	fullScale := max(math.Abs(ch.Offset), math.Abs(reference*ch.Scale+ch.Offset))
	return probe.Reading{
		Value:     volts*ch.Scale + ch.Offset,
		Quantity:  ch.Quantity,
		Source:    n.config.Name,
		Channel:   ch.Name,
		At:        at,
		Accuracy:  ch.accuracy(volts, fullScale),
		FullScale: fullScale,
		Digit:     step * math.Abs(ch.Scale) * t.refine(),
	}
}
