// Package crept shows what has changed between two worksheets, and over the
// years: as text, as JSON and as a page.
//
//	c, err := crept.New(ctx, book, worksheet, nil, trend.UsualRate) // against the one before it
//	c.Text(out); c.JSON(out); c.HTML(out)
package crept

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"io"
	"strings"

	"loomproof/checks/logbook"
	"loomproof/checks/trend"
	"loomproof/checks/units"
	"loomproof/dashboard/band"
)

// Format is the version of the JSON form. Fields may be added; what is there
// keeps its meaning.
const Format = 1

// ErrNoEarlier is returned, wrapped, when there is no earlier worksheet to hold
// one against.
var ErrNoEarlier = errors.New("there is no earlier one of the same aircraft and procedure")

// A Crept is what has changed.
type Crept struct {
	Format    int    `json:"format"`
	Aircraft  string `json:"aircraft"`
	Procedure string `json:"procedure"`
	trend.Comparison
	Years []trend.Line `json:"years"` // with three worksheets or more; the surest slope first
}

// New compares two worksheets of a logbook. With later nil the first is the later
// one, and is held against the one before it of the same aircraft and procedure.
func New(ctx context.Context, book *logbook.Book, first, later *logbook.Worksheet, rate float64) (*Crept, error) {
	if later == nil {
		before, err := Before(ctx, book, first)
		if err != nil {
			return nil, err
		}
		first, later = before, first
	}
	a, err := trend.FromWorksheet(first)
	if err != nil {
		return nil, err
	}
	b, err := trend.FromWorksheet(later)
	if err != nil {
		return nil, err
	}
	switch {
	case a.ID == b.ID:
		return nil, fmt.Errorf("worksheet %d cannot be compared with itself", a.ID)
	case a.Aircraft != b.Aircraft:
		return nil, fmt.Errorf("worksheet %d is of %s, worksheet %d of %s", a.ID, a.Aircraft, b.ID, b.Aircraft)
	case b.At.Before(a.At):
		a, b = b, a
	}
	c := &Crept{Format: Format, Aircraft: b.Aircraft, Procedure: b.Procedure, Comparison: *trend.Compare(a, b, rate), Years: []trend.Line{}}
	sheets, err := Sheets(ctx, book, later)
	if err != nil {
		return nil, err
	}
	lines, err := trend.Years(sheets)
	if err != nil {
		return nil, err
	}
	p := make([]float64, len(lines))
	for i := range lines {
		p[i] = lines[i].P
	}
	for i, yes := range trend.BenjaminiHochberg(p, rate) {
		if yes {
			c.Years = append(c.Years, lines[i])
		}
	}
	return c, nil
}

// Before finds the closed worksheet before another, of the same aircraft and
// procedure. The error wraps [ErrNoEarlier] if there is none.
func Before(ctx context.Context, book *logbook.Book, w *logbook.Worksheet) (*logbook.Worksheet, error) {
	o, err := w.Opening()
	if err != nil {
		return nil, err
	}
	list, err := book.Worksheets(ctx)
	if err != nil {
		return nil, err
	}
	for _, s := range list { // the newest first
		if s.ID < w.ID() && s.Closed && s.Aircraft == o.Aircraft && s.Procedure == o.Procedure {
			return book.Worksheet(ctx, s.ID)
		}
	}
	return nil, fmt.Errorf("worksheet %d: %w", w.ID(), ErrNoEarlier)
}

// Sheets reads all closed worksheets of the same aircraft and procedure up to
// one, the earliest first, and that one itself.
func Sheets(ctx context.Context, book *logbook.Book, w *logbook.Worksheet) ([]*trend.Sheet, error) {
	o, err := w.Opening()
	if err != nil {
		return nil, err
	}
	list, err := book.Worksheets(ctx)
	if err != nil {
		return nil, err
	}
	var out []*trend.Sheet
	for i := len(list) - 1; i >= 0; i-- {
		s := list[i]
		if s.ID > w.ID() || s.Aircraft != o.Aircraft || s.Procedure != o.Procedure || !s.Closed && s.ID != w.ID() {
			continue
		}
		sheet, err := book.Worksheet(ctx, s.ID)
		if err != nil {
			return nil, err
		}
		t, err := trend.FromWorksheet(sheet)
		if err != nil {
			return nil, err
		}
		out = append(out, t)
	}
	return out, nil
}

// Exit is the program's exit code: 0 nothing has become worse, 1 something has,
// 2 nothing could be compared.
func (c *Crept) Exit() int {
	switch {
	case len(c.Changes) == 0:
		return 2
	case len(c.Worse()) > 0:
		return 1
	}
	return 0
}

// Other lists the significant changes that are not for the worse.
func (c *Crept) Other() []trend.Change {
	var out []trend.Change
	for _, x := range c.Changes {
		if x.Significant && !x.Worse {
			out = append(out, x)
		}
	}
	return out
}

// Alone lists the changes for the worse that stand in no group.
func (c *Crept) Alone() []trend.Change {
	grouped := map[string]bool{}
	for _, g := range c.Groups {
		for _, id := range g.IDs {
			grouped[id] = true
		}
	}
	var out []trend.Change
	for _, x := range c.Worse() {
		if !grouped[x.ID] {
			out = append(out, x)
		}
	}
	return out
}

// In lists the changes of a group.
func (c *Crept) In(g trend.Group) []trend.Change {
	var out []trend.Change
	for _, x := range c.Changes {
		for _, id := range g.IDs {
			if x.ID == id {
				out = append(out, x)
			}
		}
	}
	return out
}

// Says is one change in words.
func Says(x trend.Change) string {
	return fmt.Sprintf("%s: %s, was %s", x.Title, units.Format(x.After, x.Unit), units.Format(x.Before, x.Unit))
}

// Amount is how much a change is, with its expanded uncertainty.
func Amount(x trend.Change) string {
	sign := "+"
	if x.By < 0 {
		sign = "" // the number has its own
	}
	return sign + units.FormatWith(x.By, 2*x.U, x.Unit)
}

// Meets says when a line meets its limit.
func Meets(l trend.Line) string {
	if l.Limit == nil {
		return "no limit on that side"
	}
	limit := units.Format(*l.Limit, l.Unit)
	switch {
	case l.Meets == "" && l.Earliest == "":
		return fmt.Sprintf("not at its limit of %s within a hundred years", limit)
	case l.Meets == "":
		return fmt.Sprintf("at its limit of %s not before %s", limit, l.Earliest)
	case l.Latest == "":
		return fmt.Sprintf("at its limit of %s about %s, not before %s", limit, l.Meets, l.Earliest)
	}
	return fmt.Sprintf("at its limit of %s about %s (95 %%: %s to %s)", limit, l.Meets, l.Earliest, l.Latest)
}

// Slope is how a line goes.
func Slope(l trend.Line) string {
	return fmt.Sprintf("%s a year", units.FormatWith(l.PerYear, 2*l.U, l.Unit))
}

// Day says what is known of a day's temperature.
func Day(w trend.Worksheet) string {
	if w.UCelsius > 2 {
		return fmt.Sprintf("worksheet %d of %s, temperature not on it", w.ID, w.At)
	}
	return fmt.Sprintf("worksheet %d of %s, %.0f °C", w.ID, w.At, w.Celsius)
}

// Text writes it for a terminal.
func (c *Crept) Text(out io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "\nWhat has crept: %s of %s\n  %s,\n  against %s\n", c.Procedure, c.Aircraft, Day(c.After), Day(c.Before))
	if len(c.Worse()) == 0 {
		fmt.Fprintf(&b, "\n  Nothing has become worse that could not be chance (%d quantities, %.3g %% false alarms over all together).\n", len(c.Changes), 100*c.Rate)
	}
	line := func(x trend.Change) { fmt.Fprintf(&b, "    %s (%s)\n", Says(x), Amount(x)) }
	for _, g := range c.Groups {
		fmt.Fprintf(&b, "\n  * %s\n", g.Says)
		for _, x := range c.In(g) {
			line(x)
		}
	}
	if alone := c.Alone(); len(alone) > 0 {
		b.WriteString("\n  Worse:\n")
		for _, x := range alone {
			line(x)
		}
	}
	if other := c.Other(); len(other) > 0 {
		b.WriteString("\n  Changed, not for the worse:\n")
		for _, x := range other {
			line(x)
		}
	}
	if len(c.Years) > 0 {
		b.WriteString("\n  Over the years:\n")
		for _, l := range c.Years {
			fmt.Fprintf(&b, "    %s: %s over %d worksheets; %s\n", l.Title, Slope(l), len(l.Points), Meets(l))
		}
	}
	if len(c.Design) > 0 {
		b.WriteString("\n  The design has changed:\n")
		for _, d := range c.Design {
			fmt.Fprintf(&b, "    %s\n", Redrawn(d))
		}
	}
	if len(c.Lost) > 0 {
		fmt.Fprintf(&b, "\n  Not comparable: %d\n", len(c.Lost))
		for i, l := range c.Lost {
			if i == mostLost {
				fmt.Fprintf(&b, "    and %d more; --json lists them\n", len(c.Lost)-i)
				break
			}
			fmt.Fprintf(&b, "    %s: %s\n", l.Title, l.Why)
		}
	}
	_, err := io.WriteString(out, b.String())
	return err
}

// mostLost is how many quantities that cannot be compared the terminal lists.
const mostLost = 8

// Redrawn is a change of the design in words.
func Redrawn(d trend.DesignChange) string {
	what := d.What
	if d.Circuit != "" {
		what = d.Circuit + ", " + what
	}
	switch {
	case d.Before == "":
		return fmt.Sprintf("%s: new, %s", what, d.After)
	case d.After == "":
		return fmt.Sprintf("%s: gone, was %s", what, d.Before)
	}
	return fmt.Sprintf("%s: %s, was %s", what, d.After, d.Before)
}

// JSON writes it for machines.
func (c *Crept) JSON(out io.Writer) error {
	e := json.NewEncoder(out)
	e.SetIndent("", "  ")
	return e.Encode(c)
}

//go:embed crept.html
var page string

//go:embed crept.css
var style string

var tmpl = template.Must(template.New("crept").Funcs(template.FuncMap{
	"says": Says, "amount": Amount, "meets": Meets, "slope": Slope, "day": Day, "redrawn": Redrawn, "picture": picture, "years": years,
	"value": func(v float64, unit string) string { return units.Format(v, unit) },
	"rate":  func(r float64) string { return fmt.Sprintf("%.3g %%", 100*r) },
}).Parse(page))

// HTML writes it as one page without scripts or files of its own.
func (c *Crept) HTML(out io.Writer) error {
	var b bytes.Buffer
	if err := tmpl.Execute(&b, struct {
		*Crept
		Style template.CSS
	}{c, template.CSS(band.Palette + style)}); err != nil { //nolint:gosec // our own file
		return fmt.Errorf("crept: %w", err)
	}
	_, err := b.WriteTo(out)
	return err
}
