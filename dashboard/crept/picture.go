package crept

import (
	"fmt"
	"html/template"
	"math"
	"strings"

	"loomproof/checks/trend"
	"loomproof/checks/units"
)

// picture draws one change: a ring where it was, a mark where it is with what is
// uncertain of the change as a bar, and the limits as in the band.
func picture(x trend.Change) template.HTML {
	const width, height, middle = 150.0, 26.0, 13.0
	from, to := math.Min(x.Before, x.After-2*x.U), math.Max(x.Before, x.After+2*x.U)
	for _, l := range []*float64{x.Low, x.High} {
		if l != nil && math.Abs(*l-x.After) < 6*math.Abs(x.By) {
			from, to = math.Min(from, *l), math.Max(to, *l)
		}
	}
	air := 0.1*(to-from) + 1e-12
	at := func(v float64) float64 { return (v - from + air) / (to - from + 2*air) * width }
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="change" viewBox="0 0 %g %g" width="%g" height="%g" role="img" aria-label="%s, was %s">`,
		width, height, width, height, template.HTMLEscapeString(units.Format(x.After, x.Unit)), template.HTMLEscapeString(units.Format(x.Before, x.Unit)))
	fmt.Fprintf(&b, `<line class="axis" x1="0" y1="%g" x2="%g" y2="%g"/>`, middle, width, middle)
	for _, l := range []*float64{x.Low, x.High} {
		if l != nil && *l >= from-air && *l <= to+air {
			fmt.Fprintf(&b, `<path class="limit" d="M%.1f 4V22"/>`, at(*l))
		}
	}
	fmt.Fprintf(&b, `<line class="way" x1="%.1f" y1="%g" x2="%.1f" y2="%g"/>`, at(x.Before), middle, at(x.After), middle)
	fmt.Fprintf(&b, `<line class="spread" x1="%.1f" y1="%g" x2="%.1f" y2="%g"/>`, at(x.After-2*x.U), middle, at(x.After+2*x.U), middle)
	fmt.Fprintf(&b, `<circle class="was" cx="%.1f" cy="%g" r="4"/><circle class="is" cx="%.1f" cy="%g" r="4.5"/></svg>`, at(x.Before), middle, at(x.After), middle)
	return template.HTML(b.String()) //nolint:gosec // numbers, and what was escaped
}

// years draws one quantity over the years: each worksheet's value with its
// uncertainty, the fitted line, the limit.
func years(l trend.Line) template.HTML {
	const width, height = 320.0, 96.0
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range l.Points {
		low, high = math.Min(low, p.Value-2*p.U), math.Max(high, p.Value+2*p.U)
	}
	if l.Limit != nil {
		low, high = math.Min(low, *l.Limit), math.Max(high, *l.Limit)
	}
	air := 0.08*(high-low) + 1e-12
	y := func(v float64) float64 { return height - (v-low+air)/(high-low+2*air)*height }
	first, last := l.Points[0].Years(), l.Points[len(l.Points)-1].Years()
	x := func(t float64) float64 { return 8 + (t-first)/math.Max(last-first, 1e-9)*(width-16) }
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="years" viewBox="0 0 %g %g" width="%g" height="%g" role="img" aria-label="%s from %s to %s">`,
		width, height, width, height, template.HTMLEscapeString(l.Title), l.Points[0].At, l.Points[len(l.Points)-1].At)
	if l.Limit != nil {
		fmt.Fprintf(&b, `<path class="limit" d="M0 %.1fH%g"/>`, y(*l.Limit), width)
	}
	fmt.Fprintf(&b, `<line class="way" x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f"/>`, x(first), y(l.At(first)), x(last), y(l.At(last)))
	for _, p := range l.Points {
		fmt.Fprintf(&b, `<line class="spread" x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f"/><circle class="is" cx="%.1f" cy="%.1f" r="3.5"/>`,
			x(p.Years()), y(p.Value-2*p.U), x(p.Years()), y(p.Value+2*p.U), x(p.Years()), y(p.Value))
	}
	b.WriteString("</svg>")
	return template.HTML(b.String()) //nolint:gosec // numbers, and what was escaped
}
