package procedure

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"loomproof/checks/airframe"
)

// untilTripped gives a context that ends when the watch cuts the power. With the
// power off already, as while a person opens the breaker that was cut, nothing
// is left to cut.
func (p *Performance) untilTripped(ctx context.Context) (context.Context, context.CancelFunc) {
	if !p.powered {
		return ctx, func() {}
	}
	return p.watch.untilTripped(ctx)
}

// tripped tells whether an effect stopped short because the watch cuts: by its
// error, or because the cut took the instrument from under it.
func (p *Performance) tripped(err error) bool {
	if err == nil {
		return false
	}
	c, _ := p.watch.state()
	return c != nil || errors.Is(err, errTripped)
}

// dealWithCut keeps what the watch did, and if something may still feed the
// aircraft has a person switch it off. The cut is nil if the watch did nothing.
func (p *Performance) dealWithCut() (*Cut, error) {
	c, err := p.keepCut()
	if err != nil || c == nil || len(c.ByHand) == 0 {
		return c, err
	}
	_, err = p.ask(p.ctx, Now{
		Kind: DoHold, Warn: true, Say: upper(allOff(c.ByHand)),
		Detail: strings.Join(append([]string{c.Why}, c.Failed...), "; "), Answers: []string{"It is off"},
	})
	return c, err
}

// keepCut writes down what the watch did. The cut is nil if it did nothing.
func (p *Performance) keepCut() (*Cut, error) {
	c, tripped := p.watch.state()
	if c == nil {
		return nil, nil
	}
	<-tripped // from then on it says what was cut
	p.watch.reset()
	c.ByHand = p.byHand(c)
	if c.Smoke && c.Circuit == "" { // on a battery no watch knows it
		c.Circuit = p.last
	}
	_, err := p.Sheet.Append(context.WithoutCancel(p.ctx), kindCut, c)
	return c, err
}

// lost is for when the watch took the power away: nothing feeds the aircraft
// until the script switches the power on again.
func (p *Performance) lost() {
	p.state = dark(p.state)
	p.powered = false
	p.unanswered = nil
	p.resting = resting{} // hands go elsewhere when the power goes
}

// dark is a state after a cut: nothing feeds the aircraft, and who keyed something
// has let go of it.
func dark(s airframe.State) airframe.State {
	s = s.Clone()
	s.Sources = nil
	clear(s.Working)
	return s
}

// interrupted is for a cut while a person was asked something that has no part in
// it: the person is told, and the next thing that needs the power learns of it.
func (p *Performance) interrupted() error {
	c, err := p.dealWithCut()
	if err != nil || c == nil {
		return err
	}
	p.lost()
	p.unanswered = c
	if c.Smoke {
		return p.endForSmoke(*c)
	}
	_, err = p.ask(p.ctx, Now{
		Kind: DoHold, Warn: true, Say: fmt.Sprintf("The power was cut: %s.", c.Why),
		Detail: "It stays off until the procedure says otherwise.", Answers: []string{"Understood"},
	})
	return err
}

// endForSmoke ends the worksheet: nothing goes on by itself after smoke.
func (p *Performance) endForSmoke(c Cut) error {
	if _, err := p.Sheet.Append(context.WithoutCancel(p.ctx), kindNote, Note{Stop: true, Text: c.Why}); err != nil {
		return err
	}
	said := "Power is cut: smoke. Battery and supply off, everybody out, extinguisher ready."
	switch {
	case len(c.ByHand) > 0: // nothing here could cut that
		said = "Smoke. " + upper(allOff(c.ByHand)) + " Everybody out, extinguisher ready."
	case len(c.Done) == 0:
		said = "Smoke. MASTER off and battery off, by hand, now. Everybody out, extinguisher ready."
	}
	_, err := p.ask(p.ctx, Now{
		Kind: DoHold, Warn: true, Say: said,
		Detail: "When it is safe: leave everything as it is, and look first at what was switched on last. The worksheet ends here.", Answers: []string{"Safe"},
	})
	return errors.Join(errStopped, err)
}

// offByHand says what a person must switch off, where a hand has connected what
// feeds the aircraft and a bus is fed; "" where none is.
func (p *Performance) offByHand() string {
	things := p.byHandNow()
	if len(things) <= len(p.state.Sources) {
		return ""
	}
	return allOff(things)
}

// allOff names each thing off, by hand.
func allOff(things []string) string {
	out := make([]string, len(things))
	for i, x := range things {
		out[i] = x + " off"
	}
	return join(out) + ", by hand, now."
}

// byHand says what a person must switch off, where no instrument can: sources
// that a hand has connected, and what did not confirm a cut.
func (p *Performance) byHand(c *Cut) []string {
	var out []string
	if p.Bench.mayBeOn(c.Done, c.Failed) {
		out = append(out, "the supply")
	}
	return append(out, p.byHandNow()...)
}

// byHandNow are the switches and sources that only a hand can move: none while a
// supply feeds the aircraft.
func (p *Performance) byHandNow() (out []string) {
	if p.powered || len(p.state.Sources) == 0 {
		return nil
	}
	for _, k := range p.Design.All() {
		if k.Switch != nil && p.state.On[k.Name] && k.Feeder {
			out = append(out, label(k))
		}
	}
	return append(out, p.state.Sources...)
}
