package faultfind

import (
	"fmt"
	"math"
	"slices"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/limits"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/probe"
)

// A Reading is one value read on the aircraft.
type Reading struct {
	ID    string
	Of    airframe.Quantity
	In    airframe.State
	Value float64
	U     float64 // standard uncertainty that it has for itself, above 0

	// Gain is the standard uncertainty of the instrument's gain, as a part of
	// the reading: common to all readings of Instrument on Range.
	Gain       float64
	Instrument string
	Range      float64
}

// A Marking is the rating that a person read on a protector.
type Marking struct {
	ID      string
	Circuit string
	Amperes float64
}

// A Cut is when the power was cut because more than so many amperes flowed.
type Cut struct {
	ID      string
	In      airframe.State
	Source  string // of the design
	Circuit string // switched on last
	Amperes float64
}

// A Look is something that a person looks at: a reading, or the difference of
// two. Explanations are told by which looks they explain.
type Look struct {
	ID          string
	Title       string
	Plus, Minus int // indices of readings; Minus is -1 for a single one
}

// A Case is everything that is known.
type Case struct {
	Design   *design.Design
	Readings []Reading
	Markings []Marking
	Cuts     []Cut
	Looks    []Look
}

// inSeries marks a meter on its range for amperes: another instrument than the same
// meter on volts, with a gain of its own.
const inSeries = ", in series"

// fixedShare: an accuracy line's digits and range are the bounds of a rectangle.
var fixedShare = 1 / math.Sqrt(3)

// FromRecords makes the case of a worksheet's records.
func FromRecords(records []logbook.Record) (*Case, error) {
	sheet, err := procedure.Fold(records)
	if err != nil {
		return nil, fmt.Errorf("faultfind: %w", err)
	}
	history, err := procedure.Tell(sheet.Design, records)
	if err != nil {
		return nil, fmt.Errorf("faultfind: %w", err)
	}
	c := &Case{Design: sheet.Design}
	at := map[string]int{}
	limit, model := limits.New(sheet.Design), airframe.New(sheet.Design)
	for _, t := range history.Readings {
		held, err := c.held(limit, t)
		if err != nil {
			return nil, err
		}
		if r, ok := reading(model, t); ok && !held {
			at[t.ID] = len(c.Readings)
			c.Readings = append(c.Readings, r)
		}
	}
	for _, s := range sheet.Steps {
		c.addStep(s, at)
	}
	for i, cut := range history.Cuts {
		if err := c.addCut(limit, i, cut); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// heldShare: a supply that gives more than this many times the watch's ceiling is
// at its own limit, which a performance sets at 1.2 times the ceiling.
const heldShare = 1.1

// held takes a current at the supply's own limit for what it is: more than the
// ceiling, and no reading of the aircraft.
func (c *Case) held(l *limits.Limits, t procedure.Taken) (bool, error) {
	if !outOfSource(t) {
		return false, nil
	}
	ceiling, err := ceiling(l, t.State)
	if err != nil || t.Value < heldShare*ceiling {
		return false, err
	}
	c.Cuts = append(c.Cuts, Cut{ID: t.ID, In: t.State, Source: t.State.Sources[0], Amperes: ceiling})
	return true, nil
}

// outOfSource tells the supply's current from those that flow into one circuit.
func outOfSource(t procedure.Taken) bool {
	return t.Quantity == probe.Current && t.Red == "" && t.Circuit == "" && len(t.State.Sources) > 0
}

// ceiling is the current above which the watch cuts in a state.
func ceiling(l *limits.Limits, s airframe.State) (float64, error) {
	free := s.Clone()
	free.SupplyLimit = 1e6
	a, err := l.Ceiling(free, s.Sources[0])
	if err != nil {
		return 0, fmt.Errorf("faultfind: %w", err)
	}
	return a, nil
}

// addCut takes a cut as a current above the watch's ceiling. A bus that collapsed
// had more than that, too: the supply's own limit is set above the ceiling. Where
// the supply fell silent, nothing is known.
func (c *Case) addCut(l *limits.Limits, i int, cut procedure.CutState) error {
	if len(cut.State.Sources) == 0 || cut.Value == 0 {
		return nil
	}
	amperes := cut.Limit
	if cut.Unit != "A" {
		var err error
		if amperes, err = ceiling(l, cut.State); err != nil {
			return err
		}
	}
	c.Cuts = append(c.Cuts, Cut{ID: fmt.Sprintf("cut %d", i+1), In: cut.State, Source: cut.State.Sources[0], Circuit: cut.Circuit, Amperes: amperes})
	return nil
}

// reading is a captured reading in terms of the model; false for what the model
// does not know.
func reading(m *airframe.Model, t procedure.Taken) (Reading, bool) {
	c := t.Captured
	r := Reading{ID: c.ID, In: t.State, Value: c.Value, Instrument: c.Last.Source, Range: c.Last.FullScale}
	switch {
	case c.Reversed: // a person has seen why
		return r, false
	case c.Recorded: // a regulator's slope and warmth, a battery that fills: the model knows no time
		return r, false
	case c.Quantity == probe.Voltage && c.Red != "" && m.Powered(c.Red) && m.Powered(c.Black):
		r.Of = airframe.Between(c.Red, c.Black)
	case c.Quantity == probe.Current && c.Circuit != "" && len(t.State.Sources) > 0:
		r.Of = airframe.Into(c.Circuit)
		if c.Red != "" { // a meter in series over the open protector, which it stands for
			r.In = r.In.Clone()
			r.In.Closed[c.Circuit] = true
			r.Instrument += inSeries
		}
	case outOfSource(t):
		r.Of = airframe.OutOf(t.State.Sources[0])
	default:
		return r, false
	}
	noise := 0.0
	if c.Count >= 2 {
		noise = c.Deviation / math.Sqrt(float64(c.Count))
	}
	fixed := c.Last.Accuracy.HalfWidth(0, c.Last.Digit, c.Last.FullScale) * fixedShare
	r.U = math.Sqrt(noise*noise + fixed*fixed + (c.Drift*c.Drift+c.Last.Digit*c.Last.Digit)/12)
	r.U = math.Max(r.U, 1e-6*math.Max(1, math.Abs(c.Value)))
	r.Gain = c.Last.Accuracy.OfReading * fixedShare
	return r, true
}

func (c *Case) addStep(s procedure.Step, at map[string]int) {
	switch {
	case s.What == procedure.WhatMarking && s.Reading != nil:
		c.Markings = append(c.Markings, Marking{s.ID, s.Circuit, *s.Reading})
	case len(s.Captures) == 1:
		if i, ok := at[s.Captures[0]]; ok {
			c.Looks = append(c.Looks, Look{s.ID, s.Title, i, -1})
		}
	case len(s.Captures) == 2:
		i, ok := at[s.Captures[0]]
		j, ok2 := at[s.Captures[1]]
		if ok && ok2 {
			c.Looks = append(c.Looks, Look{s.ID, s.Title, i, j})
		}
	}
}

// check says what is wrong with a case.
func (c *Case) check() error {
	for _, r := range c.Readings {
		if !(r.U > 0) || math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
			return fmt.Errorf("faultfind: reading %s is %v ± %v: it needs a value and an uncertainty above 0", r.ID, r.Value, r.U)
		}
	}
	return nil
}

// instruments lists the instruments of the readings.
func (c *Case) instruments() []string {
	var out []string
	for _, r := range c.Readings {
		if r.Instrument != "" && !slices.Contains(out, r.Instrument) {
			out = append(out, r.Instrument)
		}
	}
	return out
}
