// Package expected prints the design values of an aircraft in a state, for the
// terminal and for machines.
package expected

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/limits"
	"loomproof/checks/units"
	"loomproof/dashboard/band"
)

// A Table is every quantity of a design in one state.
type Table struct {
	Aircraft  string         `json:"aircraft"`
	Revision  string         `json:"design_revision"`
	StateName string         `json:"state_name"`
	State     airframe.State `json:"state"`
	Reference string         `json:"reference"` // terminal that potentials are told against
	Interval  string         `json:"interval"`  // how least and most were found
	Starved   []string       `json:"starved"`   // loads that get less than they work with
	Rows      []limits.Row   `json:"rows"`
}

const interval = "each part, load and source at that end of its tolerance which moves the value most, by the sign of its sensitivity; solved anew"

// New works the table out. Working names circuits that do their intermittent
// work.
func New(d *design.Design, state string, sources, working []string) (*Table, error) {
	s, err := airframe.Named(d, state, sources...)
	if err != nil {
		return nil, err
	}
	for _, name := range working {
		k := d.Circuit(name)
		if k == nil || k.Load == nil {
			return nil, fmt.Errorf("there is no circuit %q with a load to work; there are: %s", name, strings.Join(withLoads(d), ", "))
		}
		s.Working[name], s.Closed[name], s.On[name] = true, true, true
	}
	t := &Table{Aircraft: d.Aircraft.Name, Revision: d.Revision, StateName: state, State: s, Reference: reference(d), Interval: interval, Starved: []string{}}
	if t.Rows, err = limits.New(d).Table(s, t.Reference); err != nil {
		return nil, err
	}
	m := airframe.New(d)
	m.Set(s)
	starved, err := m.Starved()
	for _, k := range starved {
		t.Starved = append(t.Starved, k.Name)
	}
	return t, err
}

func withLoads(d *design.Design) []string {
	var names []string
	for _, k := range d.Circuits {
		if k.Load != nil {
			names = append(names, k.Name)
		}
	}
	return names
}

// reference is the battery's minus; without a battery, that of the first source.
func reference(d *design.Design) string {
	if b := d.SourceOf(design.Battery); b != nil {
		return b.Name + "-"
	}
	return d.Sources[0].Name + "-"
}

// tighter names the rule where it allows less than sound parts can show.
func tighter(r limits.Row) string {
	if r.Rule == limits.SoundParts.String() {
		return ""
	}
	switch { // the rule and sound parts may have nothing in common
	case r.Low != nil && r.Most < *r.Low:
		return fmt.Sprintf("; at least %s by %s, which sound parts do not reach", units.Format(*r.Low, r.Unit), r.Rule)
	case r.High != nil && r.Least > *r.High:
		return fmt.Sprintf("; at most %s by %s, which sound parts pass", units.Format(*r.High, r.Unit), r.Rule)
	}
	allowed := fmt.Sprintf("; allowed %s by %s", band.Band{Unit: r.Unit, Low: r.Low, High: r.High}.Allowed(), r.Rule)
	if r.Low != nil && r.Least < *r.Low || r.High != nil && r.Most > *r.High {
		allowed += "; sound parts can fall outside"
	}
	return allowed
}

// JSON writes the table for machines.
func (t *Table) JSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(t)
}

// Text writes the table for a terminal.
func (t *Table) Text(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s, %s, fed by %s; design revision %s\n", t.Aircraft, t.StateName, strings.Join(t.State.Sources, " and "), t.Revision)
	fmt.Fprintf(&b, "Voltages against %s. From and to: what sound parts can show.\n", t.Reference)
	for _, s := range t.Starved {
		fmt.Fprintf(&b, "WARNING: %s gets less voltage than it works with.\n", s)
	}
	last := "\x00"
	for _, r := range t.Rows {
		if r.Circuit != last && r.What != "potential" || r.What == "potential" && last != "potentials" {
			last = r.Circuit
			if r.What == "potential" {
				last = "potentials"
			}
			fmt.Fprintf(&b, "\n%s\n", last)
		}
		where := r.From
		if r.To != "" && r.To != t.Reference {
			where += " to " + r.To
		}
		fmt.Fprintf(&b, "  %-15s %-52s %9s  from %s to %s%s\n", r.What, where,
			units.Format(r.Design, r.Unit), units.Format(r.Least, r.Unit), units.Format(r.Most, r.Unit), tighter(r))
	}
	_, err := io.WriteString(w, b.String())
	return err
}
