// Package why shows which faults explain the readings of a worksheet and where
// to measure next: as text, as JSON and as a page.
//
//	w, err := why.New(worksheet, faultfind.Usual())
//	w.Text(out, true); w.JSON(out); w.HTML(out)
package why

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"

	"loomproof/checks/faultfind"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
	"loomproof/dashboard/band"
)

// Format is the version of the JSON form. Fields may be added; what is there
// keeps its meaning.
const Format = 1

// A Why is what a worksheet's readings say about its faults.
type Why struct {
	Format         int    `json:"format"`
	Aircraft       string `json:"aircraft"`
	Procedure      string `json:"procedure"`
	Worksheet      int64  `json:"worksheet"`
	DesignRevision string `json:"design_revision"`
	faultfind.Answer
	Hot   []faultfind.Heat  `json:"hot"` // joints that get hot at full load: said first
	Next  *faultfind.Advice `json:"next"`
	Moves int               `json:"moves"` // of the probe, for the readings since the worksheet
	Rates faultfind.Rates   `json:"rates"` // how common each fault was taken to be

	titles map[string]string // of looks
}

// A Typed is a reading that a person took after the worksheet: where, as
// [faultfind.Answer.Typed] has it, and what, in volts or amperes.
type Typed struct {
	Where string
	Value float64
}

// ParseTyped reads "strobe.load- battery- = 12.3 mV", "current = 4.2 A", "open
// strobe = 3.1 A".
func ParseTyped(text string) (Typed, error) {
	where, value, ok := strings.Cut(text, "=")
	var v units.Volts
	var a units.Amperes
	switch where = strings.Join(strings.Fields(where), " "); {
	case !ok:
	case v.UnmarshalText([]byte(value)) == nil:
		if where != "current" && !strings.HasPrefix(where, "open ") {
			return Typed{where, float64(v)}, nil
		}
	case a.UnmarshalText([]byte(value)) == nil:
		if where == "current" || strings.HasPrefix(where, "open ") {
			return Typed{where, float64(a)}, nil
		}
	}
	return Typed{}, fmt.Errorf("%q is no reading; write it like \"strobe.load- battery- = 12.3 mV\", \"current = 4.2 A\" or \"open strobe = 3.1 A\"", text)
}

// New works out the explanations of a worksheet, with what was read since.
func New(sheet *logbook.Worksheet, rates faultfind.Rates, typed ...Typed) (*Why, error) {
	records := sheet.Records()
	folded, err := procedure.Fold(records)
	if err != nil {
		return nil, fmt.Errorf("why: worksheet %d: %w", sheet.ID(), err)
	}
	c, err := faultfind.FromRecords(records)
	if err != nil {
		return nil, fmt.Errorf("why: worksheet %d: %w", sheet.ID(), err)
	}
	a, err := faultfind.Find(c, rates)
	if err != nil {
		return nil, fmt.Errorf("why: worksheet %d: %w", sheet.ID(), err)
	}
	moves := 0
	for _, t := range typed {
		p, err := a.Typed(t.Where)
		if err != nil {
			return nil, err
		}
		moves += max(1, p.Moves)
		c = a.With(p, t.Value)
		if a, err = faultfind.Find(c, rates); err != nil {
			return nil, fmt.Errorf("why: worksheet %d, reading %q: %w", sheet.ID(), t.Where, err)
		}
	}
	next, err := a.Next()
	if err != nil {
		return nil, fmt.Errorf("why: worksheet %d: %w", sheet.ID(), err)
	}
	w := &Why{
		Format: Format, Aircraft: folded.Design.Aircraft.Name, Procedure: folded.Opening.Procedure, Worksheet: sheet.ID(),
		DesignRevision: folded.Opening.Revision, Answer: *a, Hot: []faultfind.Heat{}, Next: next, Moves: moves, Rates: rates, titles: map[string]string{},
	}
	if w.Doubt == "" && w.Likeliest().IsSound() {
		switch {
		case folded.Count(verdict.Fail) > 0:
			w.Doubt = "No fault of the wiring that is looked for here explains what failed: the findings say what to try."
		case len(folded.Cuts) > 0:
			w.Doubt = "The readings before the cut show no fault. That does not say that there is none: look at what was switched on last before power goes on again."
		}
	}
	for _, e := range a.Explanations {
		if e.Hot != nil && e.Probability >= hotFrom {
			w.Hot = append(w.Hot, *e.Hot)
		}
	}
	for _, l := range c.Looks {
		w.titles[l.ID] = l.Title
	}
	return w, nil
}

// Told are the explanations as people are told them: in doubt, that nothing is wrong
// is not among them.
func (w *Why) Told() []faultfind.Explanation {
	return slices.DeleteFunc(slices.Clone(w.Explanations), func(e faultfind.Explanation) bool { return w.Doubt != "" && e.IsSound() })
}

// hotFrom is the probability from which heat is worth a warning.
const hotFrom = 0.05

// Exit is the program's exit code: 0 nothing is wrong, 1 a fault explains the
// readings, 2 none does, or not well enough.
func (w *Why) Exit() int {
	best := w.Likeliest()
	switch {
	case w.Doubt != "":
		return 2
	case best.IsSound():
		return 0
	}
	return 1
}

// JSON writes it for machines.
func (w *Why) JSON(out io.Writer) error {
	e := json.NewEncoder(out)
	e.SetIndent("", "  ")
	return e.Encode(w)
}

// Percent is a probability in words.
func Percent(p float64) string {
	switch {
	case p > 0.995:
		return "> 99 %"
	case p < 0.01:
		return "< 1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

// HeatSays warns of a hot joint.
func HeatSays(h faultfind.Heat) string {
	return fmt.Sprintf("%s gets hot: %s in one joint at %s with everything running (limit: %s). Leave that circuit off until it is mended.",
		h.Where, units.Format(round(h.Watts), "W"), units.Format(round(h.Amperes), "A"), h.Rule)
}

func round(x float64) float64 {
	if x == 0 {
		return 0
	}
	scale := math.Pow(10, 2-math.Ceil(math.Log10(math.Abs(x))))
	return math.Round(x*scale) / scale
}

// Text writes it for a terminal; next adds where to measure next.
func (w *Why) Text(out io.Writer, next bool) error {
	var b strings.Builder
	fmt.Fprintf(&b, "\nWhy: %s of %s (worksheet %d, %d readings)\n", w.Procedure, w.Aircraft, w.Worksheet, w.Readings)
	for _, h := range w.Hot {
		fmt.Fprintf(&b, "\n  HOT: %s\n", HeatSays(h))
	}
	if w.Doubt != "" {
		fmt.Fprintf(&b, "\n  %s\n", w.Doubt)
	}
	for _, e := range w.Told() {
		fmt.Fprintf(&b, "\n  %6s  %s\n", Percent(e.Probability), capital(e.Says))
		for _, p := range e.Parts {
			if len(p.Or) > 0 {
				fmt.Fprintf(&b, "          these readings cannot tell it from: %s\n", strings.Join(p.Or, ", "))
			}
			fmt.Fprintf(&b, "          Try: %s\n", p.Try)
		}
		w.list(&b, "explains", e.Explains)
		w.list(&b, "leaves odd", e.Leaves)
	}
	if next {
		w.advice(&b)
	}
	_, err := io.WriteString(out, b.String())
	return err
}

// mostListed is how many readings a line names before it counts the rest.
const mostListed = 6

func (w *Why) list(b *strings.Builder, what string, ids []string) {
	if len(ids) == 0 {
		return
	}
	names := make([]string, 0, len(ids))
	for i, id := range ids {
		if i == mostListed {
			names = append(names, fmt.Sprintf("and %d more", len(ids)-i))
			break
		}
		names = append(names, w.Title(id))
	}
	fmt.Fprintf(b, "          %s: %s\n", what, strings.Join(names, "; "))
}

// Title is what a reading is called.
func (w *Why) Title(id string) string {
	if t := w.titles[id]; t != "" {
		return t
	}
	return id
}

func (w *Why) advice(b *strings.Builder) {
	n := w.Next
	so := ""
	if w.Moves > 0 {
		so = fmt.Sprintf(" (%d moves so far)", w.Moves)
	}
	if n.Done {
		fmt.Fprintf(b, "\n  Next%s: %s\n", so, n.Why)
		return
	}
	fmt.Fprintf(b, "\n  Next%s, with %s%s:\n", so, n.State, w.Limited())
	if c := w.Caution(); c != "" {
		fmt.Fprintf(b, "\n  CAUTION: %s\n", c)
	}
	for i, p := range n.Probes {
		fmt.Fprintf(b, "\n  %d. %s  (%s%s)\n", i+1, p.Say, worth(p), undone(p))
		for _, o := range p.Outcomes {
			fmt.Fprintf(b, "       %-24s %s\n", o.Range(p.Unit)+":", strings.Join(o.Means, "; or "))
		}
	}
	fmt.Fprintf(b, "\n  Then type what it shows: loomproof why %d --next --read %q\n", w.Worksheet, n.Probes[0].Sample())
}

// worth says how much a probe is expected to tell, and for how many moves. The words
// stand for parts of a bit, which is what one yes or no tells (common practice).
func worth(p faultfind.Probe) string {
	tells := "a hint"
	switch {
	case p.Bits >= 0.8:
		tells = "settles much"
	case p.Bits >= 0.3:
		tells = "settles some"
	}
	return fmt.Sprintf("%s, for %.3g moves", tells, p.Effort)
}

func undone(p faultfind.Probe) string {
	if p.Undo {
		return ", something must come off first"
	}
	return ""
}

// Caution is what to heed before power goes on for the next measurement.
func (w *Why) Caution() string {
	if w.Next.Current <= 0 || w.Next.Done {
		return ""
	}
	return fmt.Sprintf("A short was cut here. Set the supply's own limit to %s before its output comes on; on smoke, smell or heat: output off. Batteries stay disconnected.",
		units.Format(w.Next.Current, "A"))
}

// Limited says what the supply is to be limited to.
func (w *Why) Limited() string {
	if w.Next.Current > 0 {
		return fmt.Sprintf(", the supply limited to %s", units.Format(w.Next.Current, "A"))
	}
	return ""
}

// Says is an explanation as a sentence's beginning.
func Says(e faultfind.Explanation) string { return capital(e.Says) }

func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

//go:embed why.html
var page string

//go:embed why.css
var style string

var tmpl = template.Must(template.New("why").Funcs(template.FuncMap{
	"worth":   worth,
	"percent": Percent, "heat": HeatSays, "capital": capital, "join": strings.Join,
	"width": func(p float64) string { return fmt.Sprintf("%.1f", 100*p) },
}).Parse(page))

// HTML writes it as one page without scripts or files of its own.
func (w *Why) HTML(out io.Writer) error {
	var b bytes.Buffer
	if err := tmpl.Execute(&b, struct {
		*Why
		Style template.CSS
	}{w, template.CSS(band.Palette + style)}); err != nil { //nolint:gosec // our own file
		return fmt.Errorf("why: %w", err)
	}
	_, err := b.WriteTo(out)
	return err
}
