package charts

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"slices"

	"loomproof/checks/groundrun"
	"loomproof/checks/recording"
	"loomproof/checks/units"
)

// The cells of a waterfall.
const (
	cellsAcross = 260
	cellsUp     = 120
	greys       = 9
)

// Waterfall draws the ripple by frequency and time: the darker, the stronger. The
// electrical frequency that was followed, and six times it, are lines on it. Each
// cell across is one window in the middle of its time, so that a long run costs
// no more than a short one.
func Waterfall(r recording.Recording, rep *groundrun.Report) (*Picture, error) {
	if err := needsReport(rep); err != nil {
		return nil, err
	}
	channel := channelOf(r, rep.RippleChannel)
	if channel < 0 {
		return nil, fmt.Errorf("%w: no channel is fast enough to show the ripple's lines; record the alternator's output post at 8 kHz or more", ErrNothing)
	}
	from, to := r.Span(channel)
	c := r.Channels()[channel]
	w := &fall{from: from, to: to}
	if err := w.read(r, channel); err != nil {
		return nil, err
	}
	if w.top == 0 {
		return nil, fmt.Errorf("%w: channel %s has no stretch without a gap that is long enough for a spectrum", ErrNothing, c.Name)
	}
	p := newPicture(plotBottom+44, "Ripple of "+c.Name+" by frequency over the run")
	p.head(clip(p.Title, 100))
	w.draw(p, c.Quantity.Unit())
	x, y := axis{least: from, most: to, from: left, to: right}, axis{most: w.top, from: plotBottom, to: plotTop}
	values, words := y.ticks(8)
	for i, v := range values {
		p.line(ink, 1, point{left - 4, y.at(v)}, point{left, y.at(v)})
		p.say(left-7, y.at(v)+4, 11, end, ink, words[i])
	}
	p.say(left, plotTop-8, 11, start, ink, "frequency, Hz")
	followed(p, rep, x, y)
	p.line(ink, 1, point{left, plotTop}, point{left, plotBottom}, point{right, plotBottom})
	p.foot(x, plotBottom)
	p.Description = w.describe(rep, c.Quantity.Unit())
	return p, nil
}

// fall is the levels of a waterfall: the decimal logarithm of the amplitude, NaN
// where there is a gap.
type fall struct {
	from, to, top float64
	cells         [cellsAcross][]float64
	faint, dark   float64 // levels of the lightest and the darkest grey
}

func (w *fall) read(r recording.Recording, channel int) error {
	step := (w.to - w.from) / cellsAcross
	window := math.Max(0.3, 64/r.Channels()[channel].Rate) // a little more than one of the spectrum's
	var all []float64
	for i := range w.cells {
		middle := w.from + (float64(i)+0.5)*step
		s, err := groundrun.SpectrumOf(r, channel, middle-window/2, middle+window/2)
		if isNothing(err) {
			continue
		}
		if err != nil {
			return err
		}
		w.top = s.Top
		w.cells[i] = column(s)
		all = append(all, w.cells[i]...)
	}
	if len(all) == 0 {
		return nil
	}
	slices.Sort(all)
	w.dark = all[len(all)-1-len(all)/500]
	w.faint = math.Max(w.dark-3.5, all[len(all)/2])
	return nil
}

// column is the strongest bin in each cell.
func column(s groundrun.Spectrum) []float64 {
	out := make([]float64, cellsUp)
	for i := range out {
		out[i] = math.Inf(-1)
	}
	for i := slowest; i < reach(s); i++ {
		k := min(cellsUp-1, int(float64(i)*s.Bin/s.Top*cellsUp))
		out[k] = math.Max(out[k], math.Log10(math.Max(s.Amplitude[i], 1e-12)))
	}
	return out
}

// draw puts the cells down, with the scale of greys above.
func (w *fall) draw(p *Picture, unit string) {
	cells := image.NewPaletted(image.Rect(0, 0, cellsAcross, cellsUp), palette())
	for x, column := range w.cells {
		for y, level := range column {
			cells.SetColorIndex(x, cellsUp-1-y, w.grey(level))
		}
	}
	p.add(raster{point{left, plotTop}, point{right, plotBottom}, cells})
	x := right - greys*12
	for i, c := range palette()[1:] {
		p.box(c.(color.RGBA), x+float64(i)*12, 30, x+float64(i+1)*12, 40)
	}
	p.add(lines{paths: [][]point{rectangle(x, 30, right, 40)}, closed: true, stroke: rule, wide: 0.6})
	p.say(x-5, 39, 10, end, ink, rough(w.faint, unit))
	p.say(right, 52, 10, end, ink, rough(w.dark, unit)+" peak")
}

// rough writes a level with two figures: a grey is no finer.
func rough(level float64, unit string) string {
	v := math.Pow(10, level)
	step := math.Pow(10, math.Floor(level)-1)
	return units.Format(math.Round(v/step)*step, unit)
}

// grey is the number of a level in the palette; 0 is nothing at all.
func (w *fall) grey(level float64) uint8 {
	part := (level - w.faint) / math.Max(1e-9, w.dark-w.faint)
	return 1 + uint8(math.Max(0, math.Min(greys-1, math.Floor(part*greys))))
}

// palette goes from paper to ink; the first is for what was not recorded.
func palette() color.Palette {
	out := color.Palette{none}
	for i := range greys {
		part := float64(i) / (greys - 1)
		mix := func(a, b uint8) uint8 { return uint8(math.Round(float64(a) + part*(float64(b)-float64(a)))) }
		out = append(out, color.RGBA{mix(paper.R, ink.R), mix(paper.G, ink.G), mix(paper.B, ink.B), 0xff})
	}
	return out
}

// followed draws the electrical frequency and six times it, broken where it was
// lost for more than a second.
func followed(p *Picture, rep *groundrun.Report, x, y axis) {
	if len(rep.Follow()) == 0 {
		return
	}
	for _, times := range []float64{1, 6} {
		var paths [][]point
		last := math.Inf(-1)
		for _, f := range rep.Follow() {
			hz := f.Hz * times
			if hz > y.most || f.At < x.least || f.At > x.most {
				continue
			}
			at := point{x.at(f.At), y.at(hz)}
			if f.At-last > 1 {
				paths = append(paths, nil)
			}
			last = f.At
			n := len(paths) - 1
			if len(paths[n]) > 0 && at.x-paths[n][len(paths[n])-1].x < 1 {
				continue
			}
			paths[n] = append(paths[n], at)
		}
		if len(paths) == 0 {
			continue
		}
		p.add(lines{paths: paths, stroke: accent, wide: 1.4})
		end := paths[len(paths)-1]
		at := end[len(end)-1]
		p.say(math.Min(at.x+5, right-14), at.y-5, 12, start, accent, map[float64]string{1: "f", 6: "6f"}[times])
	}
}

func (w *fall) describe(rep *groundrun.Report, unit string) string {
	words := fmt.Sprintf("Up to %s; the darkest is %s.", units.Format(w.top, "Hz"), units.Format(math.Pow(10, w.dark), unit))
	low, high := math.Inf(1), math.Inf(-1)
	for _, f := range rep.Follow() {
		low, high = math.Min(low, f.Hz), math.Max(high, f.Hz)
	}
	if low > high {
		return words + " The electrical frequency was not found."
	}
	return words + fmt.Sprintf(" The electrical frequency f was followed from %s to %s.", units.Format(low, "Hz"), units.Format(high, "Hz"))
}
