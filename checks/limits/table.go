package limits

import (
	"fmt"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
)

// A Row is one quantity of the aircraft in a state.
type Row struct {
	Circuit  string  `json:"circuit"`
	What     string  `json:"what"`
	From     string  `json:"from,omitempty"` // terminals of a voltage
	To       string  `json:"to,omitempty"`
	Quantity string  `json:"quantity"`
	Unit     string  `json:"unit"`
	Design   float64 `json:"design_value"`
	Least    float64 `json:"least"` // what sound parts can show
	Most     float64 `json:"most"`
	Allowed
}

// Allowed is a limit as a table shows it; nil where there is none.
type Allowed struct {
	Low  *float64 `json:"low"`
	High *float64 `json:"high"`
	Rule string   `json:"rule"` // of the side that the design value is nearest to
}

// Table works out every quantity of the design in a state: the voltage of each
// bus and each terminal against the reference, and for each circuit its
// current, the drop over each part of the way, and the voltage at the load. A
// circuit that is off in the state has its potentials only.
func (l *Limits) Table(s airframe.State, reference string) ([]Row, error) {
	t := table{l: l, s: s, reference: reference}
	for _, b := range l.design.Buses {
		t.add(b.Name, "bus voltage", b.Name, reference, func() (Expected, error) { return l.Bus(s, b.Name, reference) })
	}
	for _, k := range l.design.Circuits {
		t.circuit(k)
	}
	for _, terminal := range l.design.Terminals() {
		if len(terminal.Runs) > 0 && terminal.Name != reference {
			t.add(circuitOf(terminal), "potential", terminal.Name, reference, func() (Expected, error) { return l.Between(s, terminal.Name, reference) })
		}
	}
	return t.rows, t.err
}

func circuitOf(t *design.Terminal) string {
	if t.Circuit != nil {
		return t.Circuit.Name
	}
	return ""
}

type table struct {
	l         *Limits
	s         airframe.State
	reference string
	rows      []Row
	err       error
}

func (t *table) add(circuit, what, from, to string, expected func() (Expected, error)) {
	t.addRow(Row{Circuit: circuit, What: what, From: from, To: to, Quantity: "voltage", Unit: "V"}, airframe.Between(from, to), expected)
}

func (t *table) addRow(r Row, q airframe.Quantity, expected func() (Expected, error)) {
	if t.err != nil {
		return
	}
	span, err := t.l.model.Expect(t.s, q)
	if err != nil {
		t.err = fmt.Errorf("%s: %w", q, err)
		return
	}
	e, err := expected()
	if err != nil {
		t.err = fmt.Errorf("%s: %w", q, err)
		return
	}
	r.Design, r.Least, r.Most = e.Design, span.Least, span.Most
	if b := e.Limit.Low; b != nil {
		r.Low = &b.At
	}
	if b := e.Limit.High; b != nil {
		r.High = &b.At
	}
	if b := e.Limit.Governing(e.Design); b != nil {
		r.Rule = b.Rule.String()
	}
	t.rows = append(t.rows, r)
}

// dead is the current in amperes below which a circuit is off: what insulation
// leaks.
const dead = 1e-6

func (t *table) circuit(k *design.Circuit) {
	t.l.model.Set(t.s)
	if i, err := t.l.model.Value(airframe.Into(k.Name)); err == nil && i < dead {
		return // off in this state; its potentials are told below all the same
	}
	if k.Protector() != nil {
		r := Row{Circuit: k.Name, What: "current", Quantity: "current", Unit: "A"}
		t.addRow(r, airframe.Into(k.Name), func() (Expected, error) { return t.l.Current(t.s, k.Name) })
	}
	feed := t.l.design.Feed(k)
	for i := 1; i < len(feed); i++ {
		from, to := feed[i-1], feed[i]
		if i == 1 && k.Protector() != nil {
			t.add(k.Name, "protector drop", from, to, func() (Expected, error) { return t.l.ProtectorDrop(t.s, k.Name) })
			continue
		}
		t.add(k.Name, "drop", from, to, func() (Expected, error) { return t.l.Drop(t.s, from, to) })
	}
	back := t.l.design.Return(k)
	for i := 1; i < len(back); i++ {
		t.add(k.Name, "return drop", back[i-1], back[i], func() (Expected, error) { return t.l.Drop(t.s, back[i-1], back[i]) })
	}
	t.add(k.Name, "load voltage", k.Name+".load+", k.Name+".load-", func() (Expected, error) { return t.l.LoadVolts(t.s, k.Name, t.reference) })
}
