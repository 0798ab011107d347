package procedure

import (
	"encoding/json"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/logbook"
)

// A Taken is a reading with the state that the aircraft was in, as the journal
// tells it.
type Taken struct {
	Captured
	State airframe.State
}

// A CutState is a cut with the state that was being entered.
type CutState struct {
	Cut
	State airframe.State
}

// History is what the journal of a worksheet says of readings and states.
type History struct {
	Readings []Taken
	Cuts     []CutState
}

// Tell follows the states of the aircraft through the records of a worksheet.
// Readings taken in one state share it. Of records that it does not know it takes
// no notice.
func Tell(d *design.Design, records []logbook.Record) (History, error) {
	var h History
	f := follower{design: d, state: airframe.State{}.Clone()}
	for _, r := range records {
		switch r.Kind {
		case kindCut:
			var c Cut
			if err := r.Decode(&c); err != nil {
				return h, err
			}
			h.Cuts = append(h.Cuts, CutState{c, f.before(c)})
		case kindEffect:
			c, err := f.effect(r)
			if err != nil {
				return h, err
			}
			if c != nil {
				h.Readings = append(h.Readings, Taken{*c, f.state})
			}
		}
	}
	return h, nil
}

type follower struct {
	design *design.Design
	state  airframe.State
}

// before is the state that a cut put an end to: with the circuit on that was
// switched on last.
func (f *follower) before(c Cut) airframe.State {
	s := f.state.Clone()
	if k := f.design.Circuit(c.Circuit); k != nil {
		s.Closed[k.Name] = true
		s.On[k.Name] = true
	}
	return s
}

// effect follows one effect, and gives its reading if it has one.
func (f *follower) effect(r logbook.Record) (*Captured, error) {
	var e struct {
		Call string
		Args json.RawMessage
		// What the effects of power, act, measure and read bring.
		Result struct {
			Cut      *Cut
			Captured *Captured
		}
	}
	if err := r.Decode(&e); err != nil {
		return nil, err
	}
	switch e.Call { // a new state each time: those before are shared by readings
	case "power":
		var a struct {
			On           bool
			Volts, Limit float64
		}
		if err := json.Unmarshal(e.Args, &a); err != nil {
			return nil, err
		}
		f.state = f.off()
		if s := f.design.SourceOf(design.BenchSupply); a.On && s != nil {
			f.state.Sources = []string{s.Name}
			f.state.SupplyVolts, f.state.SupplyLimit = a.Volts, a.Limit
		}
	case "act":
		var a struct{ Action, Circuit string }
		if err := json.Unmarshal(e.Args, &a); err != nil {
			return nil, err
		}
		f.state = moved(f.state, a.Action, a.Circuit)
	}
	if e.Result.Cut != nil {
		f.state = f.off()
		return nil, nil
	}
	return e.Result.Captured, nil
}

// off is the state with nothing feeding the aircraft.
func (f *follower) off() airframe.State {
	s := f.state.Clone()
	s.Sources = nil
	return s
}
