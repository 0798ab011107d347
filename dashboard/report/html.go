package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"
	"time"

	"loomproof/checks/verdict"
	"loomproof/dashboard/band"
	"loomproof/dashboard/diagram"
	"loomproof/dashboard/why"
)

//go:embed report.html
var page string

//go:embed report.css
var style string

var tmpl = template.Must(template.New("report").Funcs(template.FuncMap{
	"stamp":   func(v any) template.HTML { return band.Stamp(fmt.Sprint(v)) },
	"picture": func(s Step) template.HTML { return s.band.SVG(150) },
	"before":  func(s Step) string { return s.band.Before() },
	"value":   func(s Step) string { return s.band.Value() },
	"limits":  func(s Step) string { return s.band.Allowed() },
	"percent": func(p *float64) string {
		switch {
		case p == nil:
			return ""
		case *p > 0.9995:
			return "> 99.9 %"
		case *p < 0.0005:
			return "< 0.1 %"
		}
		return fmt.Sprintf("%.1f %%", *p*100)
	},
	"called": func(string) string { return "" }, // of the report's own design
	"titled": func(string) string { return "" },
	"photos": func(string) []int { return nil },
	"inc":    func(i int) int { return i + 1 },
	"rule":   func(string) int { return 0 },
	// What a step says under its circuit's name.
	"within": func(circuit, title string) string { return strings.TrimPrefix(title, circuit+": ") },
	"likely": why.Percent,
	"date": func(t time.Time) string {
		if t.IsZero() {
			return "date not known"
		}
		return t.UTC().Format("2 January 2006, 15:04 UTC")
	},
}).Parse(page + runPage))

// circuitPage is one circuit's table.
type circuitPage struct {
	Name, Called string
	Verdict      string
	Nearest      Step // to its limit
	Steps        []Step
}

// HTML writes the report as one page without scripts or files of its own; it
// prints on A4 and Letter.
func (r *Report) HTML(w io.Writer) error {
	data := struct {
		*Report
		Style    template.CSS
		Circuits []circuitPage
		Undone   []Step
		Unsure   []Step // undecided
		Rules    []string
		Diagram  []template.HTML // by the sheet
	}{Report: r, Style: template.CSS(band.Palette + style), Rules: r.rules()} //nolint:gosec // our own file
	verdicts := map[string]string{}
	for _, name := range r.circuits() {
		c := circuitPage{Name: name, Called: called(r.sheet.Design, name), Verdict: string(r.sheet.CircuitVerdict(name)), Nearest: r.nearest(name)}
		verdicts[name] = c.Verdict
		for _, s := range r.Steps {
			if s.Circuit != name {
				continue
			}
			c.Steps = append(c.Steps, s)
			switch s.Verdict {
			case string(verdict.NotDone):
				data.Undone = append(data.Undone, s)
			case string(verdict.Undecided):
				data.Unsure = append(data.Unsure, s)
			}
		}
		data.Circuits = append(data.Circuits, c)
	}
	for _, sheet := range diagram.Sheets(r.sheet.Design, verdicts) {
		data.Diagram = append(data.Diagram, template.HTML(sheet)) //nolint:gosec // drawn by us, words escaped
	}
	var b bytes.Buffer // so that a mistake in the template spoils nothing
	own := template.Must(tmpl.Clone()).Funcs(template.FuncMap{
		"called": func(circuit string) string { return called(r.sheet.Design, circuit) },
		"titled": r.titled,
		"photos": r.photographsOf,
		"rule":   func(rule string) int { return slices.Index(data.Rules, rule) + 1 },
	})
	if err := own.Execute(&b, data); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	_, err := b.WriteTo(w)
	return err
}

// rules lists the citations of the steps, each once, in the order that they came
// up.
func (r *Report) rules() (out []string) {
	for _, s := range r.Steps {
		if s.Reading != nil && s.Rule != "" && !slices.Contains(out, s.Rule) {
			out = append(out, s.Rule)
		}
	}
	return out
}

// titled is the title of a step.
func (r *Report) titled(id string) string {
	for _, s := range r.Steps {
		if s.ID == id {
			return s.Title
		}
	}
	return id
}
