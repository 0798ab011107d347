// Package spectrum says which frequencies are in a stretch of a recording, for a
// picture.
//
//	s, err := spectrum.Of(rec, channel, 20, 30)
//	s.RMS[k] is the line at k × s.Step hertz
//
// Only samples that follow each other without a gap are used: the longest such
// run in the stretch. The mean is taken off, a Hann window laid on, and each
// line scaled so that a sine of effective value r shows r at its peak, if it
// stands in the middle of a line; between two lines it shows up to 15 % less
// (1.42 dB, the window's scalloping loss: F. J. Harris, Proc. IEEE 66 (1978), table 1).
package spectrum

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"

	"loomproof/checks/recording"
)

// Most is how many samples a spectrum is taken of; of a longer run, those in its
// middle.
const Most = 1 << 17

// Least is how many samples a spectrum needs.
const Least = 64

// ErrFew is returned, wrapped, when too few samples follow each other.
var ErrFew = errors.New("too few samples")

// A Spectrum is the effective value of each line, in the channel's unit.
type Spectrum struct {
	From, To float64 // seconds: what it was taken of
	Step     float64 // Hz from line to line
	RMS      []float64
}

// Of takes the spectrum of a channel in [from, to).
func Of(r recording.Recording, channel int, from, to float64) (*Spectrum, error) {
	from, to = middle(r, channel, from, to)
	run, err := longest(r, channel, from, to)
	if err != nil {
		return nil, err
	}
	if len(run.values) < Least {
		return nil, fmt.Errorf("%w: %d follow each other without a gap, %d are needed; look at a longer stretch", ErrFew, len(run.values), Least)
	}
	if extra := len(run.values) - Most; extra > 0 {
		run.from += float64(extra/2) * run.step
		run.values = run.values[extra/2:][:Most]
	}
	n := len(run.values)
	return &Spectrum{From: run.from, To: run.from + float64(n)*run.step, Step: 1 / (float64(n) * run.step), RMS: lines(run.values)}, nil
}

// middle narrows a stretch to what is worth reading: eight times as many samples
// as are used, so that gaps leave enough of them.
func middle(r recording.Recording, channel int, from, to float64) (float64, float64) {
	begin, end := r.Span(channel)
	from, to = math.Max(from, begin), math.Min(to, end)
	rate := r.Channels()[channel].Rate
	if extra := (to-from)*rate - 8*Most; extra > 0 {
		from, to = from+extra/rate/2, to-extra/rate/2
	}
	return from, to
}

// lines are the effective values, from 0 Hz up. They are reckoned in place.
func lines(x []float64) []float64 {
	mean := 0.0
	for _, v := range x {
		mean += v / float64(len(x))
	}
	sum := 0.0
	for i := range x {
		w := 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(len(x)))
		x[i] = (x[i] - mean) * w
		sum += w
	}
	out := make([]float64, len(x)/2+1)
	for k, c := range fourier.NewFFT(len(x)).Coefficients(nil, x) {
		out[k] = cmplx.Abs(c) * math.Sqrt2 / sum
	}
	return out
}

// A run is samples that follow each other.
type run struct {
	from, step float64
	values     []float64
}

// longest finds the longest run of [from, to).
func longest(r recording.Recording, channel int, from, to float64) (best run, err error) {
	c := r.Channels()[channel]
	var now run
	var before recording.Block
	for b, err := range r.Blocks(channel, from, to) {
		if err != nil {
			return run{}, err
		}
		if b.Step <= 0 {
			continue // single readings, at no pace
		}
		if _, gap := recording.Between(before, b); gap || now.values == nil {
			best, now = longer(best, now), run{from: math.Max(b.Start, from), step: b.Step}
		}
		for i, code := range b.Codes {
			if at := b.At(i); at >= from && at < to {
				now.values = append(now.values, c.Value(code))
			}
		}
		before = b // of which only the number of codes counts from now on
	}
	return longer(best, now), nil
}

func longer(a, b run) run {
	if len(b.values) > len(a.values) {
		return b
	}
	return a
}
