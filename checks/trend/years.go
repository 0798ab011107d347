package trend

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"loomproof/checks/fit"
)

// A Line is one quantity over the years.
type Line struct {
	ID      string   `json:"id"`
	Circuit string   `json:"circuit"`
	Title   string   `json:"title"`
	Unit    string   `json:"unit"`
	Points  []Point  `json:"points"`
	PerYear float64  `json:"per_year"`
	U       float64  `json:"u"` // standard uncertainty of PerYear
	P       float64  `json:"p"` // of a slope as large by chance
	Limit   *float64 `json:"limit"`

	// When the line meets its limit, and from when to when its 95 % band does; ""
	// is never within a hundred years.
	Meets    string `json:"meets"`
	Earliest string `json:"earliest"`
	Latest   string `json:"latest"`

	atLast float64 // the line at the last worksheet
}

// At is the line's value at a time in years from the last worksheet.
func (l Line) At(years float64) float64 { return l.atLast + l.PerYear*years }

// A Point is one worksheet's value.
type Point struct {
	At    string  `json:"at"`
	Value float64 `json:"value"`
	U     float64 `json:"u"`

	years float64
}

// Years is the time from the last worksheet in years: 0 or less.
func (p Point) Years() float64 { return p.years }

// A year in days: the mean of the calendar's.
const yearDays = 365.2425

// horizon is how far ahead a limit is looked for, in years.
const horizon = 100

// Years fits a line to each quantity that three worksheets or more have, the
// earliest first, as far as each can be compared with the last. Gains that one
// instrument keeps cancel between the years, but not against a limit: they are
// left out of the slope and put into the band.
func Years(sheets []*Sheet) ([]Line, error) {
	if len(sheets) < 3 {
		return nil, nil
	}
	sheets = slices.Clone(sheets)
	slices.SortStableFunc(sheets, func(a, b *Sheet) int { return a.At.Compare(b.At) })
	last := sheets[len(sheets)-1]
	var out []Line
	for i := range last.Values {
		v := &last.Values[i]
		l := Line{ID: v.ID, Circuit: v.Circuit, Title: v.Title, Unit: v.Unit}
		for _, s := range sheets {
			if w := s.find(v.ID); w != nil && apart(w, v) == "" {
				l.Points = append(l.Points, Point{s.At.UTC().Format(time.DateOnly), w.Value, w.total(v), s.At.Sub(last.At).Hours() / 24 / yearDays})
			}
		}
		if len(l.Points) < 3 {
			continue
		}
		if err := l.fit(v, last.At); err != nil {
			return nil, fmt.Errorf("trend: %s: %w", v.ID, err)
		}
		out = append(out, l)
	}
	slices.SortStableFunc(out, func(a, b Line) int { return cmp.Compare(a.P, b.P) })
	return out, nil
}

func (s *Sheet) find(id string) *Value {
	for i := range s.Values {
		if s.Values[i].ID == id {
			return &s.Values[i]
		}
	}
	return nil
}

// total is the uncertainty of a value beside a later one of the same quantity: a
// cause that both share acts with the difference of its weights.
func (v *Value) total(last *Value) float64 {
	sum := v.U * v.U
	for _, cause := range causes(v) {
		by := v.Shared[cause]
		shared, both := last.Shared[cause]
		switch {
		case v == last && strings.HasPrefix(cause, "gain"):
			continue // what it has in common with the years before
		case both && v != last:
			by -= shared
		}
		sum += by * by
	}
	return math.Sqrt(sum)
}

// fit fits the line; years are counted from the last worksheet.
func (l *Line) fit(v *Value, now time.Time) error {
	var x, y, u []float64
	for _, p := range l.Points {
		x, y, u = append(x, p.years), append(y, p.Value), append(u, math.Max(p.U, 1e-12))
	}
	f, err := fit.Line(x, y, u)
	if err != nil {
		return err
	}
	f = f.Widened()
	l.atLast = f.Coefficients[0]
	l.PerYear, l.U, l.P = f.Coefficients[1], f.Uncertainty(1), 1
	if l.U > 0 {
		l.P = math.Erfc(math.Abs(l.PerYear) / l.U / math.Sqrt2)
	}
	if v.High != nil && l.PerYear > 0 {
		l.meet(f, *v.High, 1, now)
	} else if v.Low != nil && l.PerYear < 0 {
		l.meet(f, *v.Low, -1, now)
	}
	return nil
}

// normal95 is the 97.5 % quantile of the normal distribution: a band of 95 %.
const normal95 = 1.959963984540054

// meet finds where the line and its band meet a limit. Up is 1 for an upper one.
func (l *Line) meet(f fit.Fit, limit, up float64, now time.Time) {
	l.Limit = &limit
	first := func(of func(value, u float64) float64) string {
		const step = 1.0 / 24 // half a month
		for t := 0.0; t <= horizon; t += step {
			if up*(of(f.At(1, t))-limit) >= 0 {
				return now.Add(time.Duration(t * yearDays * 24 * float64(time.Hour))).UTC().Format("2006-01")
			}
		}
		return ""
	}
	l.Meets = first(func(v, _ float64) float64 { return v })
	l.Earliest = first(func(v, u float64) float64 { return v + up*normal95*u })
	l.Latest = first(func(v, u float64) float64 { return v - up*normal95*u })
}

// Crept names the circuits, or whatever steps belong to, in the order in which to
// ask for them first next time: those that crept for the worse between the last
// two worksheets, the surest first; then those whose trend over the years is for
// the worse. It changes nothing that it is given.
func Crept(sheets []*Sheet) []string {
	if len(sheets) < 2 {
		return nil
	}
	sheets = slices.Clone(sheets)
	slices.SortStableFunc(sheets, func(a, b *Sheet) int { return a.At.Compare(b.At) })
	var out []string
	note := func(circuit string) {
		if !slices.Contains(out, circuit) {
			out = append(out, circuit)
		}
	}
	for _, c := range Compare(sheets[len(sheets)-2], sheets[len(sheets)-1], UsualRate).Worse() { // the surest first
		note(c.Circuit)
	}
	lines, _ := Years(sheets) // without a fit there is no trend to go by
	p := make([]float64, len(lines))
	for i := range lines {
		p[i] = lines[i].P
	}
	for i, yes := range BenjaminiHochberg(p, UsualRate) { // the surest first
		if v := sheets[len(sheets)-1].find(lines[i].ID); yes && v != nil && float64(v.More)*lines[i].PerYear > 0 {
			note(lines[i].Circuit)
		}
	}
	return out
}

// Order puts names into the order of [Crept]; the others follow as they stand.
func Order(sheets []*Sheet, names []string) []string {
	first := Crept(sheets)
	place := func(name string) int {
		if i := slices.Index(first, name); i >= 0 {
			return i
		}
		return len(first)
	}
	out := slices.Clone(names)
	slices.SortStableFunc(out, func(a, b string) int { return cmp.Compare(place(a), place(b)) })
	return out
}
