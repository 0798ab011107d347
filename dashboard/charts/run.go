package charts

import (
	"fmt"
	"image/color"
	"math"
	"slices"
	"strings"

	"loomproof/checks/groundrun"
	"loomproof/checks/recording"
	"loomproof/checks/units"
	"loomproof/probe"
)

// A lane is a band of the picture for one quantity; what it shows first is ink,
// what second is in the accent.
type lane struct {
	quantity probe.Quantity
	channels []int
	flat     float64 // the least span of values that is drawn
}

const (
	laneHeight = 132.0
	laneGap    = 30.0
	rowHeight  = 14.0
	markerRows = 3
)

// inLane is which channels a lane shows when there are more than two.
var inLane = []recording.Role{
	recording.BusVolts, recording.AlternatorVolts, recording.BatteryVolts,
	recording.BatteryCurrent, recording.AlternatorCurrent, recording.LoadCurrent, recording.EngineSpeed,
}

// lanesOf sorts a recording's channels into lanes of voltage, current and speed.
func lanesOf(r recording.Recording) []lane {
	all := []lane{{quantity: probe.Voltage, flat: 0.2}, {quantity: probe.Current, flat: 1}, {quantity: probe.Frequency, flat: 10}}
	var out []lane
	for _, l := range all {
		for i, c := range r.Channels() {
			if from, to := r.Span(i); c.Quantity == l.quantity && from < to {
				l.channels = append(l.channels, i)
			}
		}
		slices.SortStableFunc(l.channels, func(i, k int) int { return rank(r.Channels()[i].Role) - rank(r.Channels()[k].Role) })
		if len(l.channels) > 0 {
			l.channels = l.channels[:min(2, len(l.channels))]
			out = append(out, l)
		}
	}
	return out
}

func rank(r recording.Role) int {
	if i := slices.Index(inLane, r); i >= 0 {
		return i
	}
	return len(inLane)
}

// Run draws [from, to) seconds of a recording, or all of it when both are 0:
// voltage, current and speed against time, the markers, and of a report the
// parts and the loads that went in and out. The report may be nil.
func Run(r recording.Recording, rep *groundrun.Report, from, to float64) (*Picture, error) {
	begin, stop, ok := span(r)
	if !ok {
		return nil, fmt.Errorf("%w: the recording holds no samples", ErrNothing)
	}
	if from == 0 && to == 0 {
		from, to = begin, stop
	}
	if !(from < to) || math.IsInf(to-from, 0) {
		return nil, fmt.Errorf("%w from %.6g s to %.6g s: the end must lie after the begin", ErrNothing, from, to)
	}
	lanes := lanesOf(r)
	if len(lanes) == 0 {
		return nil, fmt.Errorf("%w: no channel is a voltage, a current or a speed", ErrNothing)
	}
	d := &runDrawing{r: r, rep: rep, time: axis{least: from, most: to, from: left, to: right}}
	d.p = newPicture(0, "Voltage, current and speed over the run")
	if from > begin || to < stop {
		d.p.Title = fmt.Sprintf("Voltage, current and speed from %s to %s", units.Format(from, "s"), units.Format(to, "s"))
	}
	d.p.head(d.p.Title)
	d.strips(len(lanes))
	for i, l := range lanes {
		if err := d.lane(l, d.top+laneGap*float64(i+1)+laneHeight*float64(i)); err != nil {
			return nil, err
		}
	}
	d.p.foot(d.time, d.bottom(len(lanes)))
	d.p.h = d.bottom(len(lanes)) + 40
	d.describe(lanes)
	return d.p, nil
}

// runDrawing is a picture of a run that is being drawn.
type runDrawing struct {
	r    recording.Recording
	rep  *groundrun.Report
	p    *Picture
	time axis
	top  float64 // where the strips end
	told []string
}

func (d *runDrawing) bottom(lanes int) float64 { return d.top + float64(lanes)*(laneGap+laneHeight) }

// inside cuts a stretch of time to what is drawn.
func (d *runDrawing) inside(from, to float64) (x1, x2 float64, ok bool) {
	return d.time.within(from), d.time.within(to), from < d.time.most && to > d.time.least
}

// strips draws, above the lanes and down through them, the parts, the loads and
// the markers.
func (d *runDrawing) strips(lanes int) {
	loads, markers := d.loads(), d.markers()
	stack(loads, 1)
	rows := stack(markers, markerRows)
	parts := 34.0
	below := parts
	if d.rep != nil {
		below += 20
	}
	tags := below
	if len(loads) > 0 {
		tags += rowHeight
	}
	d.top = tags + rowHeight*float64(rows)
	if d.rep != nil {
		d.parts(parts, lanes)
	}
	d.hang(loads, below, lanes, rule, ink)
	d.hang(markers, tags, lanes, accent, accent)
	named := 0
	for _, m := range markers {
		if m.row >= 0 {
			named++
		}
	}
	if named < len(markers) {
		d.told = append(d.told, fmt.Sprintf("%d markers, of which %d have room for their words", len(markers), named))
	}
}

// parts shades the parts and writes what they are as long as it fits.
func (d *runDrawing) parts(y float64, lanes int) {
	var ends [][]point
	spans := map[color.RGBA][][2]float64{}
	for _, part := range d.rep.Parts {
		x1, x2, ok := d.inside(part.From, part.To)
		if !ok {
			continue
		}
		c := tint(part.Kind)
		if n := len(spans[c]); n > 0 && x1-spans[c][n-1][1] < 1 {
			spans[c][n-1][1] = x2 // a space that no eye sees
			continue
		}
		spans[c] = append(spans[c], [2]float64{x1, x2})
	}
	for _, part := range d.rep.Parts {
		if x1, x2, ok := d.inside(part.From, part.To); ok && x2-x1 >= 3 {
			ends = append(ends, []point{{x2, y}, {x2, y + 18}})
		}
	}
	for _, c := range []color.RGBA{shade, faint} {
		var shapes [][]point
		for _, s := range spans[c] {
			shapes = append(shapes, rectangle(s[0], y, s[1], y+18), rectangle(s[0], d.top+6, s[1], d.bottom(lanes)))
		}
		d.p.add(lines{paths: shapes, closed: true, fill: c})
	}
	d.p.add(lines{paths: ends, stroke: rule, wide: 0.6})
	d.p.line(ink, 1, point{left, y + 18}, point{right, y + 18})
	for _, part := range d.rep.Parts {
		x1, x2, _ := d.inside(part.From, part.To)
		for _, words := range labels(part) {
			if measure(words, 11) < x2-x1-4 {
				d.p.say((x1+x2)/2, y+13, 11, middle, ink, words)
				break
			}
		}
	}
}

// hang draws tags, each from its row down through the lanes, and their words on
// top of all lines. Of those without room for words only such are drawn as stand
// clear of the one before.
func (d *runDrawing) hang(tags []*tag, y float64, lanes int, line, words color.RGBA) {
	var down, backs [][]point
	last := math.Inf(-1)
	for _, f := range tags {
		if f.row >= 0 || f.x-last >= 4 {
			down = append(down, []point{{f.x, y + rowHeight*float64(max(0, f.row))}, {f.x, d.bottom(lanes)}})
			last = f.x
		}
		if f.row >= 0 {
			foot := y + rowHeight*float64(f.row)
			backs = append(backs, rectangle(f.from(), foot, f.to(), foot+rowHeight-1))
		}
	}
	d.p.add(lines{paths: down, stroke: line, wide: 0.8, dash: 4})
	d.p.add(lines{paths: backs, closed: true, fill: paper})
	for _, f := range tags {
		if f.row >= 0 {
			d.p.say(f.from()+2, y+rowHeight*float64(f.row)+10, 10, start, words, f.words)
		}
	}
}

func tint(k groundrun.PartKind) color.RGBA {
	switch k {
	case groundrun.Cranking:
		return faint
	case groundrun.Idle, groundrun.Steady, groundrun.Charging:
		return shade
	}
	return paper
}

// labels are a part's words, the fullest first.
func labels(p groundrun.Part) []string {
	rpm := fmt.Sprintf("%.0f rpm", math.Round(p.Speed*6)*10)
	switch p.Kind {
	case groundrun.Off:
		return []string{"engine off", "off"}
	case groundrun.Cranking:
		return []string{"crank"}
	case groundrun.Running:
		return []string{"running, not charging", "not charging", "runs"}
	case groundrun.Idle:
		if p.Speed > 0 {
			return []string{"idle, " + rpm, "idle"}
		}
		return []string{"idle"}
	case groundrun.Steady:
		if p.Speed > 0 {
			return []string{rpm, p.ID}
		}
		return []string{"steady speed", p.ID}
	case groundrun.Charging:
		return []string{"charging", p.ID}
	case groundrun.ShutDown:
		return []string{"shutdown"}
	case groundrun.Missing:
		return []string{"no samples"}
	}
	return nil // a speed change lies between two that are named
}

// A tag is words that hang from a moment.
type tag struct {
	x      float64
	words  string
	wide   float64
	centre bool // the words stand about the moment, else after it
	row    int  // -1: no room
}

func (f *tag) from() float64 {
	if f.centre {
		return f.x - f.wide/2
	}
	return f.x + 1
}

func (f *tag) to() float64 { return f.from() + f.wide }

func (d *runDrawing) loads() []*tag {
	if d.rep == nil {
		return nil
	}
	var out []*tag
	for _, l := range d.rep.Loads {
		if l.At < d.time.least || l.At >= d.time.most {
			continue
		}
		words := fmt.Sprintf("+%.1f A", l.Amperes)
		if l.Amperes < 0 {
			words = fmt.Sprintf("−%.1f A", -l.Amperes)
		}
		out = append(out, &tag{x: d.time.at(l.At), words: words, wide: measure(words, 10) + 2, centre: true})
	}
	return out
}

func (d *runDrawing) markers() []*tag {
	var out []*tag
	for _, m := range d.r.Markers() {
		if m.At < d.time.least || m.At >= d.time.most {
			continue
		}
		words := m.Text
		if words == "" {
			words = string(m.Kind)
		}
		words = clip(words, 24)
		out = append(out, &tag{x: d.time.at(m.At), words: words, wide: measure(words, 10) + 2})
	}
	return out
}

// clip shortens words for a picture; the page and the report have them in full.
func clip(words string, most int) string {
	if r := []rune(words); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return words
}

// stack gives each tag the first row that it fits into and says how many rows
// are taken.
func stack(tags []*tag, rows int) (taken int) {
	free := make([]float64, rows)
	for _, f := range tags {
		f.row = -1
		for row := range free {
			if f.from() >= free[row] && f.to() < width {
				f.row, free[row] = row, f.to()+3
				taken = max(taken, row+1)
				break
			}
		}
	}
	return taken
}

// A trace is one channel's run through a lane: for each column what it went
// between, cut into pieces at the gaps.
type trace struct {
	pieces      [][]sample
	single      bool // samples, not columns
	least, most float64
	unit, name  string
	factor      float64 // from the SI unit: an engine's speed is read in rpm
}

type sample struct{ t, least, most float64 }

// traceOf takes single samples where there are no more of them than columns, and
// the recording's View where there are.
func (d *runDrawing) traceOf(channel int) (trace, error) {
	c := d.r.Channels()[channel]
	t := trace{name: c.Name, unit: c.Quantity.Unit(), factor: 1, least: math.Inf(1), most: math.Inf(-1)}
	if c.Role == recording.EngineSpeed {
		t.unit, t.factor = "rpm", 60
	}
	begin, stop := d.r.Span(channel)
	from, to := math.Max(d.time.least, begin), math.Min(d.time.most, stop)
	if from >= to {
		return t, nil
	}
	var err error
	if t.single = c.Rate <= 0 || c.Rate*(to-from) <= columns; t.single {
		err = t.samples(d.r, channel, from, to)
	} else {
		err = t.view(d.r, channel, d.time.least, d.time.most)
	}
	if err != nil {
		return t, fmt.Errorf("channel %s: %w", c.Name, err)
	}
	return t, nil
}

func (t *trace) take(s sample, joined bool) {
	if !joined || len(t.pieces) == 0 {
		t.pieces = append(t.pieces, nil)
	}
	s.least, s.most = s.least*t.factor, s.most*t.factor
	last := len(t.pieces) - 1
	t.pieces[last] = append(t.pieces[last], s)
	t.least, t.most = math.Min(t.least, s.least), math.Max(t.most, s.most)
}

func (t *trace) view(r recording.Recording, channel int, from, to float64) error {
	buckets, err := r.View(channel, from, to, columns)
	joined := false
	for _, b := range buckets {
		if b.Count > 0 {
			t.take(sample{(b.From + b.To) / 2, b.Min, b.Max}, joined)
		}
		joined = b.Count > 0
	}
	return err
}

// mostSingles bounds the samples of a channel without a rate.
const mostSingles = 4 * columns

func (t *trace) samples(r recording.Recording, channel int, from, to float64) error {
	c := r.Channels()[channel]
	var before recording.Block
	n := 0
	for b, err := range r.Blocks(channel, from, to) {
		if err != nil {
			return err
		}
		_, gap := recording.Between(before, b)
		joined := !gap && n > 0
		before = recording.Block{Start: b.Start, Step: b.Step, Codes: b.Codes}
		for i, code := range b.Codes {
			at := b.At(i)
			if at < from || at >= to {
				continue
			}
			if n++; n > mostSingles {
				t.pieces, t.single = nil, false
				return t.view(r, channel, from, to)
			}
			v := c.Value(code)
			t.take(sample{at, v, v}, joined)
			joined = true
		}
	}
	return nil
}

// lane draws one quantity with its scale.
func (d *runDrawing) lane(l lane, y float64) error {
	var traces []trace
	least, most := math.Inf(1), math.Inf(-1)
	for _, c := range l.channels {
		t, err := d.traceOf(c)
		if err != nil {
			return err
		}
		traces = append(traces, t)
		least, most = math.Min(least, t.least), math.Max(most, t.most)
	}
	bottom := y + laneHeight
	d.p.line(ink, 1, point{left, bottom}, point{right, bottom})
	if least > most {
		d.legend(traces, y)
		d.p.say((left+right)/2, y+laneHeight/2, 12, middle, ink, "no samples here")
		return nil
	}
	for _, t := range traces {
		d.told = append(d.told, fmt.Sprintf("%s from %s to %s", t.name, units.Format(t.least, t.unit), units.Format(t.most, t.unit)))
	}
	a := axis{from: bottom, to: y}
	a.least, a.most = room(least, most, l.flat)
	d.p.scale(a, 5)
	for i := len(traces) - 1; i >= 0; i-- { // the first on top
		d.trace(traces[i], a, [...]color.RGBA{ink, accent}[i])
	}
	d.gaps(l, y, bottom)
	d.legend(traces, y)
	return nil
}

// scale draws an upright axis with its lines across.
func (p *Picture) scale(a axis, about int) {
	values, words := a.ticks(about)
	var across [][]point
	for i, v := range values {
		across = append(across, []point{{left, a.at(v)}, {right, a.at(v)}})
		p.say(left-7, a.at(v)+4, 11, end, ink, words[i])
	}
	p.add(lines{paths: across, stroke: rule, wide: 0.5})
}

// legend names the traces of a lane, each with a stroke in its colour.
func (d *runDrawing) legend(traces []trace, y float64) {
	x := left
	for i, t := range traces {
		c := [...]color.RGBA{ink, accent}[i]
		words := fmt.Sprintf("%s, %s", clip(t.name, 40), t.unit)
		d.p.box(paper, x, y-16, x+26+measure(words, 11), y-2)
		d.p.line(c, 2.4, point{x, y - 9}, point{x + 16, y - 9})
		d.p.say(x+21, y-5, 11, start, c, words)
		x += 21 + measure(words, 11) + 24
	}
}

// trace draws columns as a shape with an edge, so that a calm stretch shows as a
// line, and single samples as a line with dots where they are few.
func (d *runDrawing) trace(t trace, a axis, c color.RGBA) {
	var open, closed [][]point
	dots := 0
	for _, piece := range t.pieces {
		dots += len(piece)
		if t.single {
			open = append(open, d.singles(piece, a))
		} else {
			closed = append(closed, d.envelope(piece, a))
		}
	}
	if len(closed) > 0 {
		d.p.add(lines{paths: closed, closed: true, fill: c, stroke: c, wide: 1})
	}
	if len(open) == 0 {
		return
	}
	d.p.add(lines{paths: open, stroke: c, wide: 1.2})
	if dots <= 120 {
		var marks [][]point
		for _, path := range open {
			for _, at := range path {
				marks = append(marks, rectangle(at.x-1.8, at.y-1.8, at.x+1.8, at.y+1.8))
			}
		}
		d.p.add(lines{paths: marks, closed: true, fill: c})
	}
}

func (d *runDrawing) singles(piece []sample, a axis) []point {
	out := make([]point, len(piece))
	for i, s := range piece {
		out[i] = point{d.time.at(s.t), a.at(s.least)}
	}
	return out
}

func (d *runDrawing) envelope(piece []sample, a axis) []point {
	out := make([]point, 0, 2*len(piece))
	for _, s := range piece {
		out = append(out, point{d.time.at(s.t), a.at(s.most)})
	}
	for _, s := range slices.Backward(piece) {
		out = append(out, point{d.time.at(s.t), a.at(s.least)})
	}
	return out
}

// gaps marks, on a lane's floor, where samples are missing: a gap may be
// narrower than a column.
func (d *runDrawing) gaps(l lane, y, bottom float64) {
	if d.rep == nil {
		return
	}
	var names []string
	for _, c := range l.channels {
		names = append(names, d.r.Channels()[c].Name)
	}
	for _, n := range d.rep.Channels {
		if !slices.Contains(names, n.Name) {
			continue
		}
		for _, g := range n.Gaps {
			if x1, x2, ok := d.inside(g.From, g.To); ok {
				d.p.box(accent, x1-0.8, bottom, x2+0.8, bottom+5)
				if x2-x1 > 60 {
					d.p.say((x1+x2)/2, bottom-6, 10, middle, accent, "missing")
				}
				d.told = append(d.told, fmt.Sprintf("%s misses %d samples from %s", n.Name, g.Lost, units.Format(g.From, "s")))
			}
		}
	}
}

// foot draws an axis of time below a plot.
func (p *Picture) foot(a axis, y float64) {
	values, words, unit := clock(a)
	for i, v := range values {
		p.line(ink, 1, point{a.at(v), y}, point{a.at(v), y + 4})
		p.say(a.at(v), y+17, 11, middle, ink, words[i])
	}
	p.say(right, y+33, 11, end, ink, "time, "+unit)
}

func (d *runDrawing) describe(lanes []lane) {
	var parts []string
	if d.rep != nil {
		for _, p := range d.rep.Parts {
			if _, _, ok := d.inside(p.From, p.To); ok && len(parts) < 12 {
				parts = append(parts, fmt.Sprintf("%s from %.1f s to %.1f s", p.Name, p.From, p.To))
			}
		}
	}
	d.p.Description = fmt.Sprintf("From %s to %s: %s.", units.Format(d.time.least, "s"), units.Format(d.time.most, "s"), strings.Join(d.told, "; "))
	if len(parts) > 0 {
		d.p.Description += " Parts: " + strings.Join(parts, "; ") + "."
	}
}
