package procedure

import (
	"context"
	"errors"
	"fmt"

	"loomproof/probe"
)

// An open way and a probe in the air read the same. On a comb the touch can be
// felt all the same: with its clip on the comb a way reads as joined, with the
// clip off as open, and joined again with the clip back on. Then the probe was
// there all the time, and nobody has to say so.

// combOhms is below what a way reads that is clipped to the comb: clip, leads and
// probes. Common practice; no published source.
const combOhms = 5.0

// onComb tells whether the touch can be felt by the comb.
func (a aim) onComb() bool { return a.Quantity == probe.Resistance && a.Comb }

// takeOnComb reads what a way has to all others on the comb.
func (p *Performance) takeOnComb(ctx context.Context, a aim) (Captured, error) {
	where := place(p.Design, a.Red)
	for {
		err := p.joined(ctx, a, fmt.Sprintf("Red on %s, its clip on the comb.", where), true)
		if err != nil {
			return Captured{}, err
		}
		off := a
		off.Say, off.Detail = "Now its clip off the comb.", a.Say
		off.leave = combOhms
		c, err := p.patiently(ctx, off)
		if err != nil || c.TakenAsIs {
			return c, err // said by a person, who looked
		}
		err = p.joined(ctx, a, "Clip on again.", false)
		if !errors.Is(err, errImpatient) {
			return c, err
		}
		slipped := a.Now
		slipped.Kind, slipped.Step = DoHold, nil
		slipped.Say, slipped.Detail, slipped.Answers = "The red probe had slipped: once more.", "With the clip on again it should read as joined, and did not.", []string{"Again"}
		if _, err := p.ask(ctx, slipped); err != nil {
			return Captured{}, err
		}
	}
}

// joined waits until the way reads as joined to the comb; the first time it is
// waited for as long as it takes.
func (p *Performance) joined(ctx context.Context, a aim, say string, first bool) error {
	n := a.Now
	n.Say, n.Detail, n.Step = say, a.Say, nil
	n.Joined = append(n.Joined[:len(n.Joined):len(n.Joined)], n.Red)
	defer p.Desk.show(Now{Kind: DoNothing})
	f := feel{ohms: true, below: combOhms}
	f.rule.MustLift = first
	for {
		p.Desk.show(n)
		_, err := p.untilSteady(ctx, p.Bench.Meter, string(a.Quantity), f, p.patience())
		if !first || !errors.Is(err, errImpatient) {
			return err
		}
		n.Detail = "Lift red once and put it back: it has not been seen off the point. " + a.Say
	}
}
