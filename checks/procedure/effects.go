package procedure

import (
	"context"
	"fmt"
	"slices"
	"sort"
	"strings"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/units"
)

// outcome is what became of something that a hand did.
type outcome struct {
	OK     bool    `json:"ok"`
	Choice string  `json:"choice"`
	By     string  `json:"by"`
	Cut    *Cut    `json:"cut,omitempty"`
	Number float64 `json:"number,omitempty"`
	Text   string  `json:"text,omitempty"`
	Felt   float64 `json:"felt,omitempty"` // amperes that the supply's current changed by, which answered

	Skipped string `json:"skipped,omitempty"` // why it was left out
}

// hold asks and waits.
func (p *Performance) hold(n Now) (outcome, error) {
	var out outcome
	args := map[string]any{"say": n.Say, "answers": n.Answers, "number": n.Number}
	if n.Write != "" {
		args["write"] = n.Write
	}
	err := p.effect("hold", args, &out, func(ctx context.Context) error {
		a, err := p.ask(ctx, n)
		out = outcome{OK: true, Choice: a.Choice, By: a.By, Number: a.Number, Text: a.Text}
		return err
	})
	return out, err
}

// act has a hand close or open a protector, or switch something on or off. The
// state that design values are worked out for follows. With the power on, the
// watch is set for the new state before the hand moves. After one of the answers
// in stay the hand has not moved.
func (p *Performance) act(n Now, stay []string) (outcome, error) {
	before, lastBefore := p.state.Clone(), p.last
	after := moved(p.Design, p.state, n.Action, n.Circuit)
	stays := func() { p.state, p.last = before, lastBefore }
	moves := func() { p.state, p.last = after, n.Circuit }
	n.CanSkip = true
	var out outcome
	args := map[string]any{"action": n.Action, "circuit": n.Circuit, "answers": n.Answers}
	err := p.effect("act", args, &out, func(ctx context.Context) (err error) {
		if p.unanswered != nil {
			out.Cut = p.unanswered
			return nil
		}
		defer func() {
			if err != nil { // it may be asked again, after something else
				stays()
			}
		}()
		if err := p.armNode(before, after); err != nil {
			return err
		}
		// Until the hand has moved for certain, the larger of the two states
		// holds: switching on, the one to come; switching off, the one before.
		p.last = n.Circuit
		adds := n.Action == "close" || n.Action == "on" || n.Action == "key" || n.Action == "in"
		if adds {
			p.state = after
			earlier := lastBefore
			if earlier == n.Circuit {
				earlier = ""
			}
			if err := p.arm(earlier); err != nil {
				return err
			}
		}
		ctx, done := p.untilTripped(ctx)
		defer done()
		a, felt, err := p.askOrFeel(ctx, n, before, after)
		if p.tripped(err) {
			out.Cut, err = p.dealWithCut()
			return err
		}
		if err != nil {
			return err
		}
		out = outcome{OK: !slices.Contains(stay, a.Choice), Choice: a.Choice, By: a.By, Felt: felt}
		if out.OK {
			moves()
		} else {
			stays()
		}
		if adds && out.OK {
			p.watch.moved()
		} else if err := p.arm(""); err != nil {
			return err
		}
		return p.armNode(p.state)
	})
	if stays(); err == nil && (out.OK || out.Cut != nil) {
		moves()
	}
	if out.Cut != nil {
		p.lost()
	}
	return out, err
}

// moved is a state after a hand has done something.
func moved(d *design.Design, before airframe.State, action, circuit string) airframe.State {
	s := before.Clone()
	switch action {
	case "in", "out":
		s.Closed[circuit] = action == "in"
		if k := d.Circuit(circuit); k != nil && k.Switch != nil {
			s.On[circuit] = action == "in"
		}
	case "close", "open":
		s.Closed[circuit] = action == "close"
	case "on", "off":
		s.On[circuit] = action == "on"
	case "key", "release":
		s.Working[circuit] = action == "key"
	}
	return s
}

// describe says a state in words.
func describe(d *design.Design, s airframe.State) string {
	list := func(m map[string]bool, what string) string {
		var names []string
		for name, yes := range m {
			if yes {
				names = append(names, d.Circuit(name).Called())
			}
		}
		sort.Strings(names)
		if len(names) == 0 {
			return what + ": none"
		}
		return what + ": " + strings.Join(names, ", ")
	}
	supply := "nothing feeds it"
	if len(s.Sources) > 0 {
		supply = "fed by " + join(s.Sources)
		if d.Source(s.Sources[0]).Kind == design.BenchSupply {
			supply = fmt.Sprintf("supply at %s", units.Volts(s.SupplyVolts))
		}
	}
	if s.Unplugged {
		supply += ", all units off their plugs"
	}
	parts := []string{supply, list(s.Closed, "closed"), list(s.On, "switched on")}
	if anything(s.Working) {
		parts = append(parts, list(s.Working, "at work, as transmitting"))
	}
	return strings.Join(parts, "; ")
}
