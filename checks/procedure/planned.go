package procedure

import (
	"fmt"
	"slices"
	"strings"

	"go.starlark.net/starlark"

	"loomproof/checks/plan"
)

// slPlan says how to find out what a script wants to know with what is on the
// bench. It acts on nothing.
func (p *Performance) slPlan(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	wants, err := p.wants(name, args, kwargs)
	if err != nil {
		return nil, err
	}
	return planValue(plan.For(wants, p.planned())), nil
}

// planned is the bench as a plan takes it.
func (p *Performance) planned() plan.Bench {
	b := plan.Bench{Meter: p.Bench.Meter != nil, Supply: p.Bench.Supply != nil, Reference: p.reference(), Shunts: map[string]bool{}}
	if p.Bench.Node != nil && p.Bench.NodeVolts != "" {
		b.Bus = p.Bench.NodeBus
	}
	for circuit := range p.Bench.NodeShunts {
		b.Shunts[circuit] = true
	}
	return b
}

func planValue(made plan.Plan) starlark.Value {
	order := list(made.Order, func(r plan.Reading) starlark.Value {
		return record("reading", "red", text(r.Red), "black", text(r.Black))
	})
	ways := list(made.Items, func(i plan.Item) starlark.Value { return text(fmt.Sprintf("%s: %s", i.Want, i.Way)) })
	cannot := list(made.Cannot, func(g plan.Gap) starlark.Value {
		return record("gap", "kind", text(string(g.Kind)), "circuit", text(g.Circuit), "why", text(g.Why), "addition", text(g.Addition))
	})
	return record("plan", "order", order, "ways", ways, "moves", starlark.MakeInt(made.Moves), "listed", starlark.MakeInt(made.Listed), "cannot", cannot)
}

// slTellGaps says, before anything is begun, what nothing on the bench can prove,
// and has a person say whether to go on without.
func (p *Performance) slTellGaps(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	wants, err := p.wants(name, args, kwargs)
	if err != nil {
		return nil, err
	}
	made := plan.For(wants, p.planned())
	lines := gapLines(made.Cannot, p.Design.Called)
	for _, line := range lines {
		if err := p.record(kindNote, Note{Text: line}); err != nil {
			return nil, err
		}
	}
	if len(lines) > 0 {
		_, err = p.hold(Now{Kind: DoHold, Say: "Something cannot be proven with this bench. Go on without?", Detail: strings.Join(lines, " "), Answers: []string{"Go on"}})
	}
	return planValue(made), err
}

// gapLines says what cannot be proven, each reason once.
func gapLines(gaps []plan.Gap, called func(circuit string) string) []string {
	type reason struct {
		kind          plan.Kind
		why, addition string
	}
	var order []reason
	of := map[reason][]string{}
	for _, g := range gaps {
		r := reason{g.Kind, g.Why, g.Addition}
		if of[r] == nil {
			order = append(order, r)
		}
		if who := called(g.Circuit); !slices.Contains(of[r], who) {
			of[r] = append(of[r], who)
		}
	}
	var lines []string
	for _, r := range order {
		lines = append(lines, fmt.Sprintf("Cannot be proven here: %s of %s. Why: %s. What would prove it: %s.", r.kind, join(of[r]), r.why, r.addition))
	}
	return lines
}

func (p *Performance) wants(name string, args starlark.Tuple, kwargs []starlark.Tuple) ([]plan.Want, error) {
	var asked *starlark.List
	if err := starlark.UnpackArgs(name, args, kwargs, "wants", &asked); err != nil {
		return nil, err
	}
	wants := make([]plan.Want, asked.Len())
	for i := range wants {
		var err error
		if wants[i], err = p.want(asked.Index(i)); err != nil {
			return nil, err
		}
	}
	return wants, nil
}

// want reads one thing that a script wants to know: (kind, circuit, from, to).
func (p *Performance) want(v starlark.Value) (w plan.Want, err error) {
	t, ok := v.(starlark.Tuple)
	if !ok || len(t) != 4 && len(t) != 5 {
		return w, fmt.Errorf("%s is no want: write (kind, circuit, from, to)", v)
	}
	opens := len(t) == 5 && bool(t[4].Truth())
	t = t[:4]
	var words [4]string
	for i := range t {
		if words[i], ok = starlark.AsString(t[i]); !ok {
			return w, fmt.Errorf("%s is no want: write (kind, circuit, from, to), all words", v)
		}
	}
	w = plan.Want{Kind: plan.Kind(words[0]), Circuit: words[1], From: words[2], To: words[3], Opens: opens}
	kinds := []plan.Kind{plan.Voltage, plan.Drop, plan.Current, plan.Dip, plan.Ohms}
	if !slices.Contains(kinds, w.Kind) {
		return w, fmt.Errorf("%q cannot be planned; what can is %q", w.Kind, kinds)
	}
	for _, terminal := range words[2:] {
		if terminal != "" && p.Design.Terminal(terminal) == nil {
			return w, fmt.Errorf("there is no terminal %q", terminal)
		}
	}
	return w, nil
}
