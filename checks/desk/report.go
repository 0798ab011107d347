package desk

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"

	"loomproof/checks/design"
	"loomproof/checks/units"
	"loomproof/checks/wire"
)

// Severity says how much a finding matters.
type Severity string

// The severities. An error breaks a published rule or leaves something without
// power; a warning is doubtful, or breaks a rule that is not published or was
// not read in its document; a note only informs.
const (
	Error   Severity = "error"
	Warning Severity = "warning"
	Note    Severity = "note"
)

// A Place is where in the design file.
type Place struct {
	File   string `json:"file"`
	Line   int    `json:"line"`
	Column int    `json:"column"`
}

func (p Place) String() string { return fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Column) }

// A Finding is what one rule has to say about one place.
type Finding struct {
	Rule     string        `json:"rule"`
	Severity Severity      `json:"severity"`
	Circuit  string        `json:"circuit,omitempty"` // circuit, feeder, source, bus or ground point
	Run      string        `json:"run,omitempty"`
	Place    Place         `json:"place"`
	Text     string        `json:"text"`
	Have     float64       `json:"have"` // what the design has, in Unit
	Need     float64       `json:"need"` // what the rule asks for or allows, in Unit
	Unit     string        `json:"unit"` // SI; empty for a count, or where the rule compares no numbers
	Cite     wire.Citation `json:"cite"`
}

// A Report is the desk check of one design.
type Report struct {
	Aircraft string          `json:"aircraft"`
	Revision string          `json:"design_revision"`
	Findings []Finding       `json:"findings"`        // by line, then column
	Drops    []Drop          `json:"drops"`           // what every way loses
	Balance  []Balance       `json:"balance"`         // loads against each generating source
	Basis    []wire.Citation `json:"basis"`           // what the drops are worked out by
	Wires    []Choice        `json:"wires,omitempty"` // only when added
	Loom     *Loom           `json:"loom,omitempty"`  // likewise
}

// A Loom is the mass of all wire.
type Loom struct {
	PresentKg float64 `json:"present_kg"` // as designed
	SavesKg   float64 `json:"saves_kg"`   // with the lightest wire
}

// AddWires puts the choice of wires into the report.
func (r *Report) AddWires(choices []Choice) {
	r.Wires = choices
	present, saves := Totals(choices)
	r.Loom = &Loom{present, saves}
}

// A Drop is what one way from a bus or a source to a load or a bus loses.
type Drop struct {
	Rule    string     `json:"rule"`
	Circuit string     `json:"circuit"` // whose load it is, or the feeder
	From    string     `json:"from"`
	To      string     `json:"to"`
	Amperes float64    `json:"amperes"` // the load's own
	Volts   float64    `json:"volts"`
	Allowed float64    `json:"allowed_volts"`
	Parts   []PartDrop `json:"parts"` // in the order that the current passes
}

// A PartDrop is what one part of a way loses.
type PartDrop struct {
	Kind    string  `json:"kind"`
	Name    string  `json:"name"`
	Ohms    float64 `json:"ohms"`
	Amperes float64 `json:"amperes"` // of all circuits that pass
	Volts   float64 `json:"volts"`
	Celsius float64 `json:"celsius,omitempty"` // of a wire's conductor
}

// A Balance is the continuous load on a source that generates.
type Balance struct {
	Source     string     `json:"source"`
	Rated      float64    `json:"rated_amperes"`
	Continuous float64    `json:"continuous_amperes"`
	Shed       []Shedding `json:"shed,omitempty"` // heaviest first
}

// A Shedding is the load that remains without one circuit.
type Shedding struct {
	Circuit string  `json:"circuit"`
	Without float64 `json:"without_amperes"`
}

// Count is how many findings have a severity.
func (r *Report) Count(s Severity) int {
	n := 0
	for i := range r.Findings {
		if r.Findings[i].Severity == s {
			n++
		}
	}
	return n
}

// Errors is how many findings are errors.
func (r *Report) Errors() int { return r.Count(Error) }

// Of lists the findings of a rule.
func (r *Report) Of(rule string) []Finding {
	var out []Finding
	for _, f := range r.Findings {
		if f.Rule == rule {
			out = append(out, f)
		}
	}
	return out
}

// sort puts what is worst first, each kind in the order of the design file.
func (r *Report) sort() {
	rank := map[Severity]int{Error: 0, Warning: 1, Note: 2}
	slices.SortStableFunc(r.Findings, func(a, b Finding) int {
		return cmp.Or(cmp.Compare(rank[a.Severity], rank[b.Severity]), cmp.Compare(a.Place.Line, b.Place.Line), cmp.Compare(a.Place.Column, b.Place.Column),
			cmp.Compare(a.Rule, b.Rule), cmp.Compare(a.Run, b.Run))
	})
}

// Text writes the report for a person at a terminal.
func (r *Report) Text(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "Desk check of %s, design %s\n", r.Aircraft, r.Revision)
	for _, f := range r.Findings {
		b.WriteString("\n" + f.String() + "\n")
	}
	fmt.Fprintf(&b, "\n%s, %s, %s.\n", count(r.Count(Error), "error"), count(r.Count(Warning), "warning"), count(r.Count(Note), "note"))
	b.WriteString("\nDrops are worked out by:\n")
	for _, c := range r.Basis {
		fmt.Fprintf(&b, "    %s\n", c)
	}
	if r.Wires != nil {
		b.WriteString("\n")
		wiresText(&b, r.Wires)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// JSON writes the report as one object.
func (r *Report) JSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(r)
}

// String is the finding in two or three lines: place, severity, what, the
// numbers of both sides, the rule.
func (f Finding) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s: %s\n", f.Place, strings.ToUpper(string(f.Severity)), f.Text)
	if f.Have != 0 || f.Need != 0 {
		have := "not stated"
		if f.Have != 0 {
			have = amount(f.Have, f.Unit)
		}
		fmt.Fprintf(&b, "    design %s, rule %s\n", have, amount(f.Need, f.Unit))
	}
	fmt.Fprintf(&b, "    [%s] %s", f.Rule, f.Cite)
	return b.String()
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// amount writes a value for a person.
func amount(v float64, unit string) string {
	switch unit {
	case "s":
		return duration(v)
	case "":
		return fmt.Sprintf("%g", v)
	case "°C", "%":
		return fmt.Sprintf("%.0f %s", v, unit)
	}
	return units.Format(v, unit)
}

func duration(seconds float64) string {
	switch {
	case seconds < 10:
		return fmt.Sprintf("%.2g s", seconds)
	case seconds < 120:
		return fmt.Sprintf("%.0f s", seconds)
	case seconds < 36000:
		return fmt.Sprintf("%.0f min", seconds/60)
	}
	return fmt.Sprintf("%.0f h", seconds/3600)
}

func volts(v float64) string   { return units.Format(v, "V") }
func amperes(v float64) string { return units.Format(v, "A") }

func placeOf(d *design.Design, at design.Pos) Place { return Place{d.File, at.Line, at.Column} }
