package charts

import (
	"fmt"
	"image/color"
	"math"
	"strings"

	"loomproof/checks/groundrun"
	"loomproof/checks/recording"
	"loomproof/checks/units"
)

// plotBottom is the foot of the plots that have one lane.
const (
	plotTop    = 62.0
	plotBottom = 372.0
)

// mostSeconds is how much of a part, about its middle, a spectrum is taken of: more
// would cost more and look the same.
const mostSeconds = 60

// needsReport is for pictures of what only the analysis tells.
func needsReport(rep *groundrun.Report) error {
	if rep == nil {
		return fmt.Errorf("%w: the recording is not analysed", ErrNothing)
	}
	return nil
}

// Spectrum draws the ripple of a part by frequency, on the channel that shows it
// best, with the electrical frequency and its multiples named. An empty part is
// the steady one with the most current in its lines: see clearest.
func Spectrum(r recording.Recording, rep *groundrun.Report, part string) (*Picture, error) {
	if err := needsReport(rep); err != nil {
		return nil, err
	}
	channel := channelOf(r, rep.RippleChannel)
	if channel < 0 {
		return nil, fmt.Errorf("%w: no channel is fast enough to show the ripple's lines; record the alternator's output post at 8 kHz or more", ErrNothing)
	}
	of, err := partFor(rep, part)
	if err != nil {
		return nil, err
	}
	middle, reach := (of.From+of.To)/2, math.Min(mostSeconds, of.To-of.From)/2
	s, err := groundrun.SpectrumOf(r, channel, middle-reach, middle+reach)
	if err != nil {
		if isNothing(err) {
			return nil, fmt.Errorf("%w: %w", ErrNothing, err)
		}
		return nil, err
	}
	p := newPicture(plotBottom+44, fmt.Sprintf("Spectrum of %s, %s: %s", s.Channel, of.ID, of.Name))
	p.head(clip(p.Title, 100))
	p.say(left, 40, 11, start, ink, fmt.Sprintf("peak amplitude; %d Hann windows of %s, bins %s apart",
		s.Windows, units.Format(s.Seconds, "s"), units.Format(s.Bin, "Hz")))
	d := &spectrumDrawing{p: p, s: s, x: axis{most: s.Top, from: left, to: right}, y: levels(s)}
	d.draw(of)
	p.Description = d.describe(of)
	return p, nil
}

// partFor finds a part by its id, or the one whose lines are clearest: the
// steady part with the highest electrical frequency that is known, else the longest.
func partFor(rep *groundrun.Report, id string) (groundrun.Part, error) {
	var best groundrun.Part
	for _, p := range rep.Parts {
		if id != "" && p.ID == id {
			return p, nil
		}
		steady := p.Kind == groundrun.Steady || p.Kind == groundrun.Idle || p.Kind == groundrun.Charging
		if !steady || p.To-p.From < 1 {
			continue
		}
		better := p.Electrical > best.Electrical
		if p.Electrical == best.Electrical {
			better = p.To-p.From > best.To-best.From
		}
		if best.ID == "" || better {
			best = p
		}
	}
	switch {
	case id != "":
		return best, fmt.Errorf("%w: the run has no part %q", ErrNothing, id)
	case best.ID == "":
		return best, fmt.Errorf("%w: no steady speed was held with the alternator delivering", ErrNothing)
	}
	return best, nil
}

// levels is a logarithmic axis in whole decades, from below the noise to above
// the highest line.
func levels(s groundrun.Spectrum) axis {
	most, floor := 0.0, math.Inf(1)
	for i := slowest; i < reach(s); i++ {
		if v := s.Amplitude[i]; v > 0 {
			most, floor = math.Max(most, v), math.Min(floor, v)
		}
	}
	if most == 0 {
		most, floor = 1e-3, 1e-4
	}
	top := math.Ceil(math.Log10(most*1.3)*2) / 2
	low := math.Max(math.Floor(math.Log10(floor)), math.Floor(top-4))
	return axis{least: math.Pow(10, low), most: math.Pow(10, math.Max(top, low+1)), from: plotBottom, to: plotTop, log: true}
}

// slowest is the first bin that is drawn: below it stand slow changes, not lines.
const slowest = 3

func reach(s groundrun.Spectrum) int { return min(len(s.Amplitude), int(s.Top/s.Bin)+1) }

type spectrumDrawing struct {
	p    *Picture
	s    groundrun.Spectrum
	x, y axis

	taken [][2]float64 // along the top, by words
}

func (d *spectrumDrawing) draw(of groundrun.Part) {
	values, words := d.y.ticks(0)
	for i, v := range values {
		d.p.line(rule, 0.5, point{left, d.y.at(v)}, point{right, d.y.at(v)})
		d.p.say(left-7, d.y.at(v)+4, 11, end, ink, words[i]+d.s.Unit)
	}
	d.names(of)
	d.folded(of)
	d.p.add(lines{paths: [][]point{d.outline()}, stroke: ink, wide: 1.1})
	d.p.line(ink, 1, point{left, plotBottom}, point{right, plotBottom})
	values, words = d.x.ticks(10)
	for i, v := range values {
		d.p.line(ink, 1, point{d.x.at(v), plotBottom}, point{d.x.at(v), plotBottom + 4})
		d.p.say(d.x.at(v), plotBottom+17, 11, middle, ink, words[i])
	}
	d.p.say(right, plotBottom+33, 11, end, ink, "frequency, Hz")
}

// outline is the highest of the bins that fall on each half column.
func (d *spectrumDrawing) outline() []point {
	var out []point
	last := -1
	for i := slowest; i < reach(d.s); i++ {
		x := d.x.at(float64(i) * d.s.Bin)
		at := point{x, d.y.within(d.s.Amplitude[i])}
		if cell := int(x / across * 2 * columns); cell == last {
			if at.y < out[len(out)-1].y {
				out[len(out)-1] = at
			}
			continue
		} else {
			last = cell
		}
		out = append(out, at)
	}
	return out
}

// names draws the electrical frequency and its multiples up to the sixth, and
// from there on those of a sound six-pulse bridge.
func (d *spectrumDrawing) names(of groundrun.Part) {
	for n := 1; of.Electrical > 0 && n <= 36; n++ {
		hz := float64(n) * of.Electrical
		if hz > d.x.most {
			break
		}
		words := fmt.Sprintf("%df", n)
		switch {
		case n == 1:
			words = "f"
			if d.x.at(2*hz)-d.x.at(hz) > 70 {
				words = "f = " + units.Format(hz, "Hz")
			}
		case n == 6:
			words = "6f = " + units.Format(hz, "Hz")
		}
		switch {
		case n == 1 || n%6 == 0:
			d.name(hz, words, accent)
		case n < 6:
			d.name(hz, words, rule)
		}
	}
}

// mostFolded is how many of the six-pulse lines beyond the rate are looked for.
const mostFolded = 4

// folded names the six-pulse lines that stand too high for the rate and show
// below where they are, and says what the names rest on.
func (d *spectrumDrawing) folded(of groundrun.Part) {
	down := false
	for n := 6; of.Electrical > 0 && n <= 6*mostFolded; n += 6 {
		hz := float64(n) * of.Electrical
		if hz <= d.s.Rate/2 {
			continue
		}
		low := math.Abs(hz - d.s.Rate*math.Round(hz/d.s.Rate))
		if k := int(low / d.s.Bin); k > slowest && k+3 < reach(d.s) && d.stands(k) {
			d.name(low, fmt.Sprintf("(%df)", n), rule)
			down = true
		}
	}
	var notes []string
	if of.Electrical > 0 {
		notes = append(notes, "f by "+of.ElectricalBy)
	}
	if down {
		notes = append(notes, "in brackets: folded down by the rate")
	}
	if len(notes) > 0 {
		d.p.say(right, 40, 11, end, ink, strings.Join(notes, "; "))
	}
}

// stands says that a line stands out at a bin.
func (d *spectrumDrawing) stands(k int) bool {
	near, around := 0.0, 0.0
	for i := max(slowest, k-40); i < min(reach(d.s), k+40); i++ {
		if i >= k-6 && i <= k+7 {
			near = math.Max(near, d.s.Amplitude[i])
		} else {
			around = math.Max(around, d.s.Amplitude[i])
		}
	}
	return near > 1.5*around
}

// name draws a frequency and its words, where there is room for them.
func (d *spectrumDrawing) name(hz float64, words string, c color.RGBA) {
	x := d.x.at(hz)
	d.p.dashed(c, 1, point{x, plotTop}, point{x, plotBottom})
	half := measure(words, 10)/2 + 1
	for _, t := range d.taken {
		if x-half < t[1] && x+half > t[0] {
			return
		}
	}
	if x+half > width {
		return
	}
	d.taken = append(d.taken, [2]float64{x - half, x + half})
	if c == rule {
		c = ink
	}
	d.p.say(x, plotTop-4, 10, middle, c, words)
}

// describe says the same in words.
func (d *spectrumDrawing) describe(of groundrun.Part) string {
	if of.Electrical == 0 {
		return "No lines of the rectifier were found in this part."
	}
	words := fmt.Sprintf("The electrical frequency f is %s, by %s.", units.Format(of.Electrical, "Hz"), of.ElectricalBy)
	for _, n := range []float64{1, 2, 3, 6, 12} {
		if i := int(math.Round(n * of.Electrical / d.s.Bin)); i+2 < reach(d.s) && i > 2 {
			most := 0.0
			for k := i - 2; k <= i+2; k++ {
				most = math.Max(most, d.s.Amplitude[k])
			}
			words += fmt.Sprintf(" At %gf: %s.", n, units.Format(most, d.s.Unit))
		}
	}
	return words
}
