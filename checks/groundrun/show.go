package groundrun

import (
	"fmt"
	"math"
	"slices"

	"loomproof/checks/fit"
	"loomproof/checks/recording"
	"loomproof/checks/verdict"
)

// What a picture needs of an analysis, beyond the figures of the report.

// A Spectrum is what a stretch of one channel holds by frequency.
type Spectrum struct {
	Channel string `json:"channel"`
	Unit    string `json:"unit"`
	// Bin is the spacing of Amplitude in Hz, the first at 0 Hz.
	Bin float64 `json:"bin_hz"`
	// Amplitude is the peak amplitude, in Unit, of the sine that would show as
	// much in the middle of the bin: the root of the mean, over the windows, of the
	// squared amplitude. One that stands between two bins shows up to 1.42 dB less
	// (Hann window). The mean of each window is taken off, so the first bins hold
	// slow changes only.
	Amplitude []float64 `json:"amplitude"`
	Windows   int       `json:"windows"`  // that it is the mean of, without a gap in any
	Seconds   float64   `json:"window_s"` // length of one
	Rate      float64   `json:"rate_hz"`  // samples a second
	// Top is the highest frequency to trust, in Hz: 0.45 of the rate.
	Top float64 `json:"top_hz"`
}

// leastWindow is the shortest stretch, in samples, that a spectrum is made of.
const leastWindow = 64

// SpectrumOf is the spectrum of a channel over [from, to): Hann windows of 0.26 s
// or, in a shorter stretch, the longest power of two of samples that fits. Where
// the channel has gaps only whole windows between them count. The error wraps
// ErrNothing when none fits.
func SpectrumOf(r recording.Recording, channel int, from, to float64) (Spectrum, error) {
	t := &track{index: channel, ch: r.Channels()[channel]}
	begin, end := r.Span(channel)
	from, to = math.Max(from, begin), math.Min(to, end)
	if t.rate = t.ch.Rate; t.rate <= 0 {
		return Spectrum{}, fmt.Errorf("%w: channel %s has no fixed rate, so it has no spectrum", ErrNothing, t.ch.Name)
	}
	n := leastWindow
	for float64(n) < 2*windowTime*t.rate {
		n *= 2
	}
	for ; n >= leastWindow; n /= 2 {
		if float64(n)/t.rate > to-from {
			continue
		}
		last := to - (float64(n)-0.5)/t.rate // where a window may begin
		v, err := (&analysis{r: r}).averageOf(t, &Part{From: from, To: last}, n)
		if err != nil {
			return Spectrum{}, err
		}
		if v.windows > 0 {
			return v.spectrum(t, n), nil
		}
	}
	return Spectrum{}, fmt.Errorf("%w: channel %s has no %d samples without a gap from %.6g s to %.6g s, which a spectrum needs", ErrNothing, t.ch.Name, leastWindow, from, to)
}

func (v average) spectrum(t *track, n int) Spectrum {
	s := Spectrum{
		Channel: t.ch.Name, Unit: t.ch.Quantity.Unit(), Bin: v.bin, Amplitude: make([]float64, len(v.power)),
		Windows: v.windows, Seconds: float64(n) / t.rate, Rate: t.rate, Top: topOfBand * t.rate,
	}
	for i, p := range v.power {
		s.Amplitude[i] = math.Sqrt(p)
	}
	// A sine at half the rate or at nothing has no second line to fold on.
	s.Amplitude[0] /= 2
	s.Amplitude[len(s.Amplitude)-1] /= 2
	return s
}

// Followed is the electrical frequency of the alternator at one moment.
type Followed struct{ At, Hz float64 } // seconds, Hz

// Follow is the electrical frequency over the run, in the order of time: the
// strongest line of each window that belongs to the ripple, over its number. It
// is empty where no line is known for certain, and after the report was read from
// JSON.
func (r *Report) Follow() []Followed { return r.followed }

// follow fills in what Follow gives. Between steady parts the line keeps the
// number that it has in the nearest of them.
func (a *analysis) follow() {
	if a.spectra == nil {
		return
	}
	var known []*Part
	for i := range a.rep.Parts {
		if p := &a.rep.Parts[i]; p.family != nil && p.family.certain && p.Line > 0 {
			p.Electrical, p.ElectricalBy = p.family.hz, "the lines' shape alone"
			if _, ok := a.expected(p); ok {
				p.ElectricalBy = "the engine's speed"
			}
			known = append(known, p)
		}
	}
	if len(known) == 0 {
		return
	}
	for i, t := range a.spectra.times {
		peak := a.spectra.peaks[i]
		p := slices.MinFunc(known, func(x, y *Part) int { return sign(x.away(t) - y.away(t)) })
		if math.IsNaN(peak) || p.away(t) == 0 && math.Abs(math.Log(peak/p.Line)) > 0.3 {
			continue
		}
		a.rep.followed = append(a.rep.followed, Followed{t, peak * p.family.hz / p.Line})
	}
}

// away is how long before or after the part a time is.
func (p *Part) away(t float64) float64 { return math.Max(0, math.Max(p.From-t, t-p.To)) }

func sign(x float64) int {
	switch {
	case x < 0:
		return -1
	case x > 0:
		return 1
	}
	return 0
}

// A Characteristic is how the regulator holds the voltage against the current.
type Characteristic struct {
	Channel   string // of the voltage
	Against   string // channel of the current: the alternator's, else the battery's
	Holds     []Hold
	SetPoint  float64      // V
	SetPointU float64      // expanded, k = 2
	Low, High float64      // what the set-point is held to, V
	Rule      string       // that it comes from
	Verdict   verdict.Word // of the set-point
	Slope     float64      // V/A; NaN: not known
	SlopeU    float64      // expanded, k = 2
	SlopeBy   string       // what the slope comes from
	Middle    float64      // current that the set-point stands for, A
}

// A Hold is the mean of two seconds in which the regulator holds the voltage.
type Hold struct{ At, Volts, Amperes float64 } // seconds, V, A

// Regulator is the regulator's characteristic; nil when the run does not show it,
// and after the report was read from JSON.
func (r *Report) Regulator() *Characteristic { return r.regulator }

// characterise keeps what Regulator gives, from the windows and the set-point's
// check.
func (a *analysis) characterise(w []held, c *Check) {
	k := &Characteristic{Channel: c.Channel, SetPoint: c.Reading, SetPointU: c.Uncertainty, Rule: c.Rule, Verdict: c.Verdict, Slope: math.NaN()}
	limit := a.regulation()
	k.Low, k.High = limit.Low.At, limit.High.At
	var x, y []float64
	for _, h := range w {
		amperes := h.amperes
		if a.alternator == nil {
			amperes = h.battery
		}
		if !math.IsNaN(amperes) {
			k.Holds = append(k.Holds, Hold{h.at, h.volts, amperes})
			x, y = append(x, amperes), append(y, h.volts)
		}
	}
	if len(x) == 0 {
		return
	}
	k.Against = a.battery.name()
	if a.alternator != nil {
		k.Against = a.alternator.name()
	}
	k.Middle = median(x)
	// The battery's current tells how charged it is, not how loaded the regulator.
	if f, err := fit.Line(x, y, nil); err == nil && a.alternator != nil && quantile(x, 1)-quantile(x, 0) > 2/a.scale {
		k.Slope, k.SlopeU, k.SlopeBy = f.Coefficients[1], 2*f.Uncertainty(1), "a line through the points"
	}
	a.rep.regulator = k
}

func (t *track) name() string {
	if t == nil {
		return ""
	}
	return t.ch.Name
}
