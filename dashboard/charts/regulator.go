package charts

import (
	"errors"
	"fmt"
	"math"

	"loomproof/checks/groundrun"
	"loomproof/checks/units"
)

func isNothing(err error) bool { return errors.Is(err, groundrun.ErrNothing) }

// Regulator draws the voltage that the regulator holds against the current: each
// stretch of two seconds as a point, the set-point, and its slope with what it is
// unsure by.
func Regulator(rep *groundrun.Report) (*Picture, error) {
	if err := needsReport(rep); err != nil {
		return nil, err
	}
	k := rep.Regulator()
	if k == nil {
		return nil, fmt.Errorf("%w: the regulator was never seen to hold the voltage with the current known; hold a speed for a minute with the alternator's current recorded", ErrNothing)
	}
	p := newPicture(plotBottom+44, "What the regulator holds: voltage against current")
	p.head(p.Title)
	d := &regulatorDrawing{p: p, k: k}
	d.axes()
	d.fitted()
	d.span()
	d.points()
	p.Description = d.words()
	p.say(left, 40, 11, start, ink, d.words())
	return p, nil
}

type regulatorDrawing struct {
	p    *Picture
	k    *groundrun.Characteristic
	x, y axis
}

func (d *regulatorDrawing) axes() {
	x := [2]float64{d.k.Middle, d.k.Middle}
	y := [2]float64{math.Min(d.k.Low, d.k.SetPoint-d.k.SetPointU), math.Max(d.k.High, d.k.SetPoint+d.k.SetPointU)}
	for _, h := range d.k.Holds {
		x[0], x[1] = math.Min(x[0], h.Amperes), math.Max(x[1], h.Amperes)
		y[0], y[1] = math.Min(y[0], h.Volts), math.Max(y[1], h.Volts)
	}
	d.x, d.y = axis{from: left, to: right}, axis{from: plotBottom, to: plotTop}
	d.x.least, d.x.most = room(math.Min(0, x[0]), x[1], 2)
	if x[0] >= 0 {
		d.x.least = 0
	}
	d.y.least, d.y.most = room(y[0], y[1], 0.2)
	d.p.scale(d.y, 7)
	values, words := d.x.ticks(10)
	for i, v := range values {
		d.p.line(ink, 1, point{d.x.at(v), plotBottom}, point{d.x.at(v), plotBottom + 4})
		d.p.say(d.x.at(v), plotBottom+17, 11, middle, ink, words[i])
	}
	d.p.line(ink, 1, point{left, plotBottom}, point{right, plotBottom})
	d.p.say(left, plotTop-6, 11, start, ink, clip(d.k.Channel, 40)+", V")
	d.p.say(right, plotBottom+33, 11, end, ink, clip(d.k.Against, 40)+", A")
}

// span draws the limits as brackets.
func (d *regulatorDrawing) span() {
	for _, of := range []struct {
		at, tick float64
		words    string
	}{{d.k.Low, -6, "at least "}, {d.k.High, 6, "at most "}} {
		y := d.y.at(of.at)
		d.p.line(ink, 1.6, point{left, y + of.tick}, point{left, y}, point{right, y}, point{right, y + of.tick})
		d.p.say(right-4, y-5, 11, end, ink, of.words+units.Format(of.at, "V"))
	}
}

// fitted draws the line through the set-point, as wide as it is unsure: of the
// set-point, and of the slope away from its middle.
func (d *regulatorDrawing) fitted() {
	slope, su := d.k.Slope, d.k.SlopeU
	if math.IsNaN(slope) {
		slope, su = 0, 0
	}
	const pieces = 48
	var upper, line, band []point
	for i := range pieces + 1 {
		x := d.x.least + (d.x.most-d.x.least)*float64(i)/pieces
		v := d.k.SetPoint + slope*(x-d.k.Middle)
		u := math.Hypot(d.k.SetPointU, su*(x-d.k.Middle))
		line = append(line, point{d.x.at(x), d.y.within(v)})
		upper = append(upper, point{d.x.at(x), d.y.within(v + u)})
		band = append(band, point{d.x.at(x), d.y.within(v - u)})
	}
	for i := len(upper) - 1; i >= 0; i-- {
		band = append(band, upper[i])
	}
	d.p.shape(shade, band)
	d.p.add(lines{paths: [][]point{line}, stroke: accent, wide: 1.6})
}

// mostPoints bounds what is drawn of a long run.
const mostPoints = 600

func (d *regulatorDrawing) points() {
	var marks [][]point
	step := max(1, (len(d.k.Holds)+mostPoints-1)/mostPoints)
	for i := 0; i < len(d.k.Holds); i += step {
		h := d.k.Holds[i]
		x, y := d.x.at(h.Amperes), d.y.at(h.Volts)
		marks = append(marks, []point{{x - 3, y}, {x, y - 3}, {x + 3, y}, {x, y + 3}})
	}
	d.p.add(lines{paths: marks, closed: true, fill: ink})
}

func (d *regulatorDrawing) words() string {
	s := fmt.Sprintf("set-point %s at %s (k = 2)", units.FormatWith(d.k.SetPoint, d.k.SetPointU, "V"), units.Format(d.k.Middle, "A"))
	if math.IsNaN(d.k.Slope) {
		return s + "; slope not known: record the alternator's current, and switch large loads in and out at a steady speed"
	}
	return s + fmt.Sprintf("; slope %s from %s", units.FormatWith(d.k.Slope, d.k.SlopeU, "V/A"), d.k.SlopeBy)
}
