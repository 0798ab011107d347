// Package band draws the picture that stands for one reading everywhere: a
// line with its limits, the design value as a notch, and the reading as a mark
// with its uncertainty as a bar.
//
// The same picture is drawn as SVG for pages and reports and in letters for
// the terminal:
//
//	[-------:-----o------]            inside, design value left of it
//	[---:-------]     <=o=>           above the upper limit
package band

import (
	"fmt"
	"html/template"
	"math"
	"strings"

	"loomproof/checks/procedure"
	"loomproof/checks/units"
)

// A Band is what the picture shows. Nil means that there is none.
type Band struct {
	Unit                       string
	Reading, Design, Low, High *float64
	Uncertainty                float64 // expanded
	Verdict                    string
	Last                       *procedure.Earlier // what was read there the time before
}

// Of is the band of a step.
func Of(s procedure.Step) Band {
	b := Band{Unit: s.Unit, Reading: s.Reading, Design: s.Design, Low: s.Low, High: s.High, Verdict: s.Verdict, Last: s.Last}
	if s.Uncertainty != nil {
		b.Uncertainty = *s.Uncertainty
	}
	return b
}

// scale is the unit that all numbers of the band are written in.
func (b Band) scale() units.Scale {
	values := []float64{b.Uncertainty}
	for _, v := range []*float64{b.Reading, b.Low, b.High} {
		if v != nil {
			values = append(values, *v)
		}
	}
	return units.ScaleOf(b.Unit, values...)
}

// Value is the reading in words, with its uncertainty; "" without a reading.
func (b Band) Value() string {
	if b.Reading == nil {
		return ""
	}
	return b.scale().FormatWith(*b.Reading, b.Uncertainty)
}

// Before is what was read there the time before, with its month; "" where nothing
// was.
func (b Band) Before() string {
	if b.Last == nil || b.Last.Reading == nil {
		return ""
	}
	return b.Last.At.UTC().Format("January 2006") + ": " + units.Format(*b.Last.Reading, b.Unit)
}

// span is the part of the axis that the picture shows: the limits and all that
// stands outside them, with a little air.
func (b Band) span() (from, to float64, ok bool) {
	from, to = math.Inf(1), math.Inf(-1)
	see := func(v *float64, reach float64) {
		if v != nil && !math.IsNaN(*v) && !math.IsInf(*v, 0) {
			from, to = math.Min(from, *v-reach), math.Max(to, *v+reach)
		}
	}
	see(b.Low, 0)
	see(b.High, 0)
	see(b.Design, 0)
	see(b.Reading, b.Uncertainty)
	if b.Low == nil && b.High != nil && *b.High > 0 {
		from = math.Min(from, 0) // a drop is measured from nothing
	}
	if from > to {
		return 0, 0, false
	}
	air := 0.08 * (to - from)
	if air == 0 {
		air = math.Max(1e-3, math.Abs(to)*0.1)
	}
	return from - air, to + air, true
}

// Letters draws the band in the terminal, width characters wide.
func (b Band) Letters(width int) string {
	from, to, ok := b.span()
	if !ok || width < 10 {
		return strings.Repeat(" ", max(0, width))
	}
	row := []rune(strings.Repeat(" ", width))
	at := func(v float64) int {
		return max(0, min(width-1, int(math.Round((v-from)/(to-from)*float64(width-1)))))
	}
	low, high := 0, width-1
	if b.Low != nil {
		low = at(*b.Low)
	}
	if b.High != nil {
		high = at(*b.High)
	}
	for i := low; i <= high; i++ {
		row[i] = '-'
	}
	if b.Low != nil {
		row[low] = '['
	}
	if b.High != nil {
		row[high] = ']'
	}
	if b.Design != nil {
		row[at(*b.Design)] = ':'
	}
	if b.Reading != nil {
		left, right := at(*b.Reading-b.Uncertainty), at(*b.Reading+b.Uncertainty)
		for i := left; i <= right; i++ {
			row[i] = '='
		}
		row[at(*b.Reading)] = 'o'
	}
	return string(row)
}

// SVG draws the band for a page: its colours are the page's, by class.
func (b Band) SVG(width int) template.HTML {
	const height, middle = 26, 13.0
	from, to, ok := b.span()
	if !ok {
		return ""
	}
	at := func(v float64) float64 { return (v - from) / (to - from) * float64(width) }
	var s strings.Builder
	fmt.Fprintf(&s, `<svg class="band %s" viewBox="0 0 %d %d" width="%d" height="%d" role="img" aria-label="%s">`,
		class(b.Verdict), width, height, width, height, template.HTMLEscapeString(b.Words()))
	low, high := 0.0, float64(width)
	if b.Low != nil {
		low = at(*b.Low)
	}
	if b.High != nil {
		high = at(*b.High)
	}
	fmt.Fprintf(&s, `<line class="axis" x1="0" y1="%g" x2="%d" y2="%g"/>`, middle, width, middle)
	fmt.Fprintf(&s, `<line class="allowed" x1="%.1f" y1="%g" x2="%.1f" y2="%g"/>`, low, middle, high, middle)
	for _, l := range []struct {
		limit *float64
		hook  float64
	}{{b.Low, 4}, {b.High, -4}} {
		if l.limit != nil {
			x := at(*l.limit)
			fmt.Fprintf(&s, `<path class="limit" d="M%.1f 4H%.1fV22H%.1f" />`, x+l.hook, x, x+l.hook)
		}
	}
	if b.Design != nil {
		x := at(*b.Design)
		fmt.Fprintf(&s, `<path class="design" d="M%.1f 6L%.1f 1H%.1fZ"/>`, x, x-4, x+4)
	}
	if b.Reading != nil {
		x, u := at(*b.Reading), b.Uncertainty/(to-from)*float64(width)
		fmt.Fprintf(&s, `<line class="spread" x1="%.1f" y1="%g" x2="%.1f" y2="%g"/>`, x-u, middle, x+u, middle)
		s.WriteString(mark(b.Verdict, x, middle))
	}
	s.WriteString(`</svg>`)
	return template.HTML(s.String()) //nolint:gosec // numbers and escaped words only
}

// class is the style class of a verdict; a word that is none gets that of not done.
func class(verdict string) string {
	switch verdict {
	case "pass", "fail", "undecided":
		return "v-" + verdict
	}
	return "v-not-done"
}

// mark is the verdict's shape: disc, square, diamond or ring.
func mark(verdict string, x, y float64) string {
	switch verdict {
	case "pass":
		return fmt.Sprintf(`<circle class="mark" cx="%.1f" cy="%g" r="5"/>`, x, y)
	case "fail":
		return fmt.Sprintf(`<rect class="mark" x="%.1f" y="%g" width="10" height="10"/>`, x-5, y-5)
	case "undecided":
		return fmt.Sprintf(`<path class="mark" d="M%.1f %gl6 6l-6 6l-6 -6Z"/>`, x, y-6)
	}
	return fmt.Sprintf(`<circle class="mark open" cx="%.1f" cy="%g" r="5"/>`, x, y)
}

// Allowed says the limits in words, in the unit of Value.
func (b Band) Allowed() string {
	unit := b.scale()
	switch {
	case b.Low != nil && b.High != nil && *b.Low == *b.High:
		return "exactly " + unit.Format(*b.Low)
	case b.Low != nil && b.High != nil:
		return unit.Format(*b.Low) + " to " + unit.Format(*b.High)
	case b.High != nil:
		return "at most " + unit.Format(*b.High)
	case b.Low != nil:
		return "at least " + unit.Format(*b.Low)
	}
	return "no limit"
}

// Words says the band in one line.
func (b Band) Words() string {
	var parts []string
	unit := b.scale()
	say := func(name string, v *float64) {
		if v != nil {
			parts = append(parts, name+" "+unit.Format(*v))
		}
	}
	say("reading", b.Reading)
	say("design value", b.Design)
	say("at least", b.Low)
	say("at most", b.High)
	if b.Verdict != "" {
		parts = append(parts, b.Verdict)
	}
	return strings.Join(parts, ", ")
}

// Shape is a verdict's shape in a square of 20 by 20: a disc with a tick, a
// square with a cross, a diamond with a bar, an empty ring.
func Shape(verdict string) string {
	switch verdict {
	case "pass":
		return `<circle class="mark" cx="10" cy="10" r="9"/><path class="cut" d="M5.5 10.5l3 3l6 -7"/>`
	case "fail":
		return `<rect class="mark" x="1" y="1" width="18" height="18"/><path class="cut" d="M6 6l8 8M14 6l-8 8"/>`
	case "undecided":
		return `<path class="mark" d="M10 0l10 10l-10 10l-10 -10Z"/><path class="cut" d="M5.5 10h9"/>`
	}
	return `<circle class="mark open" cx="10" cy="10" r="8"/>`
}

// Stamp is a verdict's word with its shape. Colour only repeats them.
func Stamp(verdict string) template.HTML { return stamp(verdict, verdict) }

// Tally is a verdict's shape with how many there are of it.
func Tally(verdict string, n int) template.HTML {
	return stamp(verdict, fmt.Sprintf("%d %s", n, verdict))
}

func stamp(verdict, words string) template.HTML {
	return template.HTML(fmt.Sprintf(`<span class="stamp %s"><svg viewBox="0 0 20 20" width="20" height="20" aria-hidden="true">%s</svg> %s</span>`,
		class(verdict), Shape(verdict), template.HTMLEscapeString(words)))
}
