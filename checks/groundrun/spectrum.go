package groundrun

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"

	"loomproof/checks/recording"
)

// spectra are the strongest lines of one channel, window by window.
type spectra struct {
	t     *track
	n     int // samples in a window
	times []float64
	peaks []float64 // Hz; NaN where none stands out or the alternator does not deliver
}

func (s *spectra) seconds() float64 { return float64(s.n) / s.t.rate }

const (
	leastRate   = 500   // samples a second below which no spectrum is tried
	windowTime  = 0.128 // seconds of a window, at the least
	mostWindows = 40000
	lowestLine  = 100.0 // Hz: below it stand regulators and strobes, not rectifiers
	topOfBand   = 0.45  // of the rate: above it filters are unknown
	hannBins    = 1.5   // noise bandwidth of a Hann window, in bins
)

// An analyser takes spectra with a Hann window.
type analyser struct {
	fft    *fourier.FFT
	window []float64
	sum    float64
	in     []float64
	out    []complex128
	power  []float64
}

func newAnalyser(n int) *analyser {
	a := &analyser{fft: fourier.NewFFT(n), window: make([]float64, n), in: make([]float64, n), out: make([]complex128, n/2+1), power: make([]float64, n/2+1)}
	for i := range a.window {
		a.window[i] = 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(n))
		a.sum += a.window[i]
	}
	return a
}

// spectrum gives the square of the amplitude that a line in the middle of each
// bin would have. It is good until the next call. The mean is taken off first.
func (a *analyser) spectrum(x []float64) []float64 {
	mean := 0.0
	for _, v := range x {
		mean += v
	}
	mean /= float64(len(x))
	for i, v := range x {
		a.in[i] = (v - mean) * a.window[i]
	}
	a.fft.Coefficients(a.out, a.in)
	scale := 2 / a.sum
	for i, c := range a.out {
		m := cmplx.Abs(c) * scale
		a.power[i] = m * m
	}
	return a.power
}

// windows calls f with every stretch of n samples of [from, to) that follow each
// other without a gap, one each hop samples. x is good until f returns.
func (a *analysis) windows(t *track, from, to float64, n, hop int, f func(middle float64, x []float64)) error {
	x := make([]float64, 0, n)
	skip := 0
	var before recording.Block
	var start float64
	for b, err := range a.r.Blocks(t.index, from, to) {
		if err != nil {
			return err
		}
		if _, gap := recording.Between(before, b); gap {
			x, skip = x[:0], 0
		}
		before = recording.Block{Start: b.Start, Step: b.Step, Codes: b.Codes}
		first := 0
		if b.Step > 0 && b.Start < from {
			first = min(len(b.Codes), int(math.Ceil((from-b.Start)/b.Step)))
		}
		for i := first; i < len(b.Codes); i++ {
			if skip > 0 {
				skip--
				continue
			}
			if len(x) == 0 {
				start = b.At(i)
				if start >= to {
					return nil
				}
			}
			x = append(x, t.ch.Value(b.Codes[i]))
			if len(x) < n {
				continue
			}
			f(start+float64(n)/2*b.Step, x)
			if hop >= n {
				x, skip = x[:0], hop-n
			} else {
				copy(x, x[hop:])
				x = x[:n-hop]
				start += float64(hop) * b.Step
			}
		}
	}
	return nil
}

// findSpectra follows the strongest line of the channel that shows the ripple
// best.
func (a *analysis) findSpectra() error {
	t := a.rippling()
	if t == nil {
		return nil
	}
	n := 128
	for float64(n) < windowTime*t.rate {
		n *= 2
	}
	s := &spectra{t: t, n: n}
	hop := max(n, int((a.rep.To-a.rep.From)*t.rate/mostWindows))
	spectrum := newAnalyser(n)
	err := a.windows(t, a.rep.From, a.rep.To, n, hop, func(middle float64, x []float64) {
		peak := math.NaN()
		if i := a.volts.at(middle); i >= 0 && i < a.count && a.gives[i] {
			peak = strongest(spectrum.spectrum(x), t.rate/float64(n), lowestFollowed(t.rate), topOfBand*t.rate)
		}
		s.times, s.peaks = append(s.times, middle), append(s.peaks, peak)
	})
	a.spectra = s
	a.rep.RippleChannel = t.ch.Name
	return err
}

// lowestFollowed keeps clear of a switching regulator's first harmonics where
// the rate leaves room to.
func lowestFollowed(rate float64) float64 { return math.Max(lowestLine, math.Min(250, rate/32)) }

// rippling is the channel with the best view of the ripple: the fastest, and
// among equals the one nearest to the alternator.
func (a *analysis) rippling() *track {
	var best *track
	for _, r := range []recording.Role{recording.AlternatorVolts, recording.AlternatorCurrent, recording.BusVolts, recording.BatteryCurrent, recording.BatteryVolts} {
		if t := a.by[r]; t != nil && t.rate >= leastRate && (best == nil || t.rate > 1.01*best.rate) {
			best = t
		}
	}
	return best
}

// standsOut is how far a line must stand above the middle of the spectrum, in
// power. Of noise alone the largest of a thousand bins is some ten times the median.
const standsOut = 25

// strongest is the frequency of the strongest line between two frequencies, NaN
// when none stands out.
func strongest(power []float64, bin, low, high float64) float64 {
	from, to := int(math.Ceil(low/bin)), min(len(power)-3, int(high/bin))
	if to-from < 8 {
		return math.NaN()
	}
	best := from
	for i := from; i <= to; i++ {
		if power[i] > power[best] {
			best = i
		}
	}
	if power[best] < standsOut*floorOf(power[from:to+1]) || best < 2 {
		return math.NaN()
	}
	var sum, moment float64
	for i := best - 2; i <= best+2; i++ {
		sum += power[i]
		moment += power[i] * float64(i)
	}
	return moment / sum * bin
}

// floorOf is the median power of a stretch of a spectrum, estimated from at most
// 64 bins of it.
func floorOf(power []float64) float64 {
	step := max(1, len(power)/64)
	var few [65]float64
	n := 0
	for i := 0; i < len(power) && n < len(few); i += step {
		few[n] = power[i]
		n++
	}
	return median(few[:n])
}
