package procedure

import (
	"context"
	"errors"
	"math"
	"strings"
	"sync"
	"time"

	"loomproof/checks/airframe"
)

// A hand that switches a load on or off under the watched supply shows in the
// supply's own current: nobody has to say so, both hands stay free. Where the
// current does not show it, as of a circuit that is dead, a person says it.

// What change of the supply's current tells that a hand has moved. Common
// practice; no published source.
const (
	// A step that is smaller than this, in amperes or as a part of the whole
	// current, cannot be told from what other loads do by themselves.
	stepLeast = 0.1
	stepShare = 0.03
	// So much of the step that the design has must have come: a sound circuit
	// brings 9 tenths of it.
	stepPart = 0.7
)

// restPatience is how long the current is given to come to rest before a hand moves;
// then a person is asked. Nothing is shown to do meanwhile. Common practice; no
// published source.
const restPatience = 5 * time.Second

var errMoved = errors.New("the supply's current shows it")

// askOrFeel waits for a hand's move until a person says that it is done, or the
// supply's current shows it: felt is by how many amperes.
func (p *Performance) askOrFeel(ctx context.Context, n Now, before, after airframe.State) (a Answer, felt float64, err error) {
	if len(n.Answers) != 1 || !p.onSupply() {
		a, err = p.ask(ctx, n)
		return a, 0, err
	}
	step, err := p.stepAhead(before, after)
	if err != nil {
		return a, 0, err
	}
	if step == 0 {
		return p.askUnseen(ctx, n)
	}
	rest, err := p.untilSteady(ctx, p.Bench.Supply, "current", feel{}, min(p.patience(), restPatience))
	if err == nil {
		a, felt, err = p.feelMove(ctx, n, rest.Value, step)
	}
	if !errors.Is(err, errImpatient) {
		return a, felt, err
	}
	return p.askUnseen(ctx, n)
}

// askUnseen asks where the current does not show that a hand has moved.
func (p *Performance) askUnseen(ctx context.Context, n Now) (a Answer, felt float64, err error) {
	n.Detail = strings.TrimSpace(n.Detail + " The current does not show it: say when it is done.")
	a, err = p.ask(ctx, n)
	return a, 0, err
}

// feelMove asks while the current is looked at; rest is what it was before.
func (p *Performance) feelMove(ctx context.Context, n Now, rest, step float64) (a Answer, felt float64, err error) {
	looking, stop := context.WithCancelCause(ctx)
	var eye sync.WaitGroup
	eye.Go(func() {
		soon, done := context.WithTimeoutCause(looking, p.patience(), errImpatient)
		defer done()
		for {
			c, err := p.untilSteady(soon, p.Bench.Supply, "current", feel{}, p.patience())
			if err != nil {
				stop(err)
				return
			}
			if felt = c.Value - rest; felt/step >= stepPart {
				stop(errMoved)
				return
			}
		}
	})
	n.Felt = true
	n.Detail = strings.TrimSpace(n.Detail + " It goes on by itself as the current shows it.")
	a, err = p.ask(looking, n)
	stop(nil)
	eye.Wait()
	if !errors.Is(err, errMoved) {
		return a, 0, err
	}
	p.Desk.wentOn()
	return Answer{Choice: n.Answers[0]}, felt, nil
}

// stepAhead is by how many amperes the supply's current changes between two states
// in the design; 0 where the change cannot be told.
func (p *Performance) stepAhead(before, after airframe.State) (float64, error) {
	source := p.state.Sources[0]
	was, err := p.limits.Total(before, source)
	if err != nil {
		return 0, err
	}
	will, err := p.limits.Total(after, source)
	if err != nil {
		return 0, err
	}
	step := will.Design - was.Design
	if math.Abs(step) < max(stepLeast, stepShare*was.Design, stepShare*will.Design) {
		return 0, nil
	}
	return step, nil
}
