package mockup

import (
	"context"
	"errors"
	"slices"
	"time"

	"loomproof/checks/airframe"
	"loomproof/checks/procedure"
	"loomproof/probe"
)

// A Pace says how the emulated hands work.
type Pace struct {
	Move   time.Duration // time to move a probe or a breaker
	Answer bool          // answer hold points, too; else a person does
}

// By is who the hands answer as.
const By = "emulated hands"

// Hands does what the desk asks for, until the context ends: puts probes where
// they are wanted, closes and opens what is named, and, if the pace says so,
// answers hold points truthfully.
func (m *Mockup) Hands(ctx context.Context, desk *procedure.Desk, pace Pace) {
	done := 0
	for {
		var now procedure.Now
		if desk.Until(ctx, func(v procedure.View) bool { now = v.Now; return v.Now.ID != done }) != nil {
			return
		}
		done = now.ID
		if !m.Do(ctx, desk, now, pace) {
			return
		}
	}
}

// Do does one thing; false means that the context has ended.
func (m *Mockup) Do(ctx context.Context, desk *procedure.Desk, now procedure.Now, pace Pace) bool {
	switch {
	case now.Kind == procedure.DoProbe && now.Red != "" && m.stays(now):
		// a person who has just said that both probes are on leaves them there
	case now.Kind == procedure.DoProbe && m.onlyClips(now):
		if !rest(ctx, pace.Move) {
			return false
		}
		m.Place(now.Red, now.Black, now.Joined...)
	case now.Kind == procedure.DoProbe && now.Red != "":
		m.Lift()
		m.turn(now.Quantity)
		if !rest(ctx, pace.Move) {
			return false
		}
		m.Place(now.Red, now.Black, now.Joined...)
		m.mu.Lock()
		m.asked = now.Asks()
		m.mu.Unlock()
		if now.Action != "" && !now.Asks() {
			if !rest(ctx, pace.Move) {
				return false
			}
			m.Move(now.Action, now.Circuit)
		}
	case now.Kind == procedure.DoAct:
		// When a person answers, the hand must have moved before the answer.
		if pace.Answer && !rest(ctx, pace.Move) {
			return false
		}
		name := now.Circuit
		if now.Source != "" {
			name = now.Source
		}
		m.Move(now.Action, name)
	case now.What == engineSpeed:
		m.Throttle(now.Where)
	case now.Restore != nil:
		m.Lift()
		m.restore(*now.Restore)
	}
	if !now.Asks() || !pace.Answer || now.Felt { // the supply's current answers
		return true
	}
	if !rest(ctx, pace.Move) {
		return false
	}
	a := procedure.Answer{ID: now.ID, By: By}
	switch {
	case now.Write == procedure.WriteDate:
		a.Text = m.Date(now.What, now.Where).Format(time.DateOnly)
	case now.Write != "":
		a.Text = "emulated"
	case now.Number != "" && now.What != "":
		a.Number = m.Number(now.What, now.Where)
	case now.Number != "":
		a.Number = m.Marked(now.Circuit)
	case now.What != "" && !m.Sound(now.What, now.Where):
		a.Choice = now.Answers[1]
	case slices.Contains(now.Answers, procedure.DoesNotHold) && m.trips(now.Circuit):
		a.Choice = procedure.DoesNotHold
		m.Move("open", now.Circuit)
		if now.Action == "on" {
			m.Move("off", now.Circuit)
		}
	case now.Action == "close" && len(now.Answers) > 1 && m.wronglyMarked(now.Circuit):
		a.Choice = now.Answers[1]
	default:
		a.Choice = now.Answers[0]
	}
	for errors.Is(desk.Answer(a), procedure.ErrTooSoon) { // any other error: too late, as when the watch has cut meanwhile
		if !rest(ctx, desk.Settle) {
			return false
		}
	}
	return true
}

// Turned says who turns the dial of a meter that has one, before its probes are put
// down.
func (m *Mockup) Turned(dial func(probe.Quantity)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.dial = dial
}

func (m *Mockup) turn(q probe.Quantity) {
	m.mu.Lock()
	dial := m.dial
	m.mu.Unlock()
	if dial != nil {
		dial(q)
	}
}

func (m *Mockup) wronglyMarked(circuit string) bool {
	k := m.design.Circuit(circuit)
	return k != nil && k.Protector() != nil && m.Marked(circuit) != float64(k.Protector().Rating)
}

// tripsAt is the part of its rating at which a protector opens while a person looks
// at it: thermal breakers take some 10 s at twice their rating (from memory).
const tripsAt = 2

// trips tells whether a circuit's protector opens.
func (m *Mockup) trips(circuit string) bool {
	marked := m.Marked(circuit)
	return marked > 0 && m.Amperes(circuit) > tripsAt*marked
}

// stays tells whether the probes are where they are wanted already, by the word
// that was just given; probes that are not asked about are put down anew.
func (m *Mockup) stays(now procedure.Now) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	p := m.probes
	return !now.Asks() && m.asked && p.down && p.red == now.Red && p.black == now.Black && slices.Equal(p.joined, now.Joined)
}

// onlyClips tells whether the probes are where they are wanted already, and only
// clips of the comb are to be moved.
func (m *Mockup) onlyClips(now procedure.Now) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	p := m.probes
	return !now.Asks() && now.Red != "" && p.down && p.red == now.Red && p.black == now.Black && len(p.joined)+len(now.Joined) > 0 && !slices.Equal(p.joined, now.Joined)
}

// restore puts breakers, switches, plugs and batteries as a procedure wants them
// or a worksheet left them, as the person does who confirms it. The supply is not
// a hand's.
func (m *Mockup) restore(s airframe.State) {
	m.change(func(now *airframe.State) {
		s = s.Clone()
		now.Closed, now.On, now.Working, now.Unplugged = s.Closed, s.On, s.Working, s.Unplugged
		now.Sources = slices.DeleteFunc(now.Sources, func(x string) bool { return x != m.supply })
		for _, x := range s.Sources {
			if x != m.supply {
				now.Sources = append(now.Sources, x)
			}
		}
	})
}

func rest(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}
