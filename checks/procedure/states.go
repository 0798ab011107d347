package procedure

import (
	"encoding/json"
	"slices"

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
		case kindRedo:
			var again Redo
			if err := r.Decode(&again); err != nil {
				return h, err
			}
			for _, c := range again.Captured {
				h.Readings = append(h.Readings, Taken{c, again.State})
			}
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
		Call   string
		Args   json.RawMessage
		Result struct {
			OK       bool
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
		f.state = f.state.Clone()
		f.state.Sources = nil
		if s := f.design.SourceOf(design.BenchSupply); a.On && s != nil {
			f.state.Sources = []string{s.Name}
			f.state.SupplyVolts, f.state.SupplyLimit = a.Volts, a.Limit
		}
	case "act":
		var a struct{ Action, Circuit, Source string }
		if err := json.Unmarshal(e.Args, &a); err != nil {
			return nil, err
		}
		if e.Result.OK || e.Result.Cut != nil {
			f.state = acted(f.design, f.state, a.Action, a.Circuit, a.Source)
		}
	case "measure":
		var a struct{ Closing string }
		if err := json.Unmarshal(e.Args, &a); err != nil {
			return nil, err
		}
		if a.Closing != "" && e.Result.Captured != nil && e.Result.Captured.Count > 0 {
			f.state = moved(f.design, f.state, "in", a.Closing)
		}
	case "look":
		var a struct{ Hand [][2]string }
		if err := json.Unmarshal(e.Args, &a); err != nil {
			return nil, err
		}
		for _, m := range a.Hand {
			f.state = moved(f.design, f.state, m[0], m[1])
		}
	case "put":
		var a struct{ State string }
		if err := json.Unmarshal(e.Args, &a); err != nil {
			return nil, err
		}
		if named, err := airframe.Named(f.design, a.State); err == nil && (e.Result.OK || e.Result.Cut != nil) {
			f.state = f.state.Clone()
			f.state.Closed, f.state.On, f.state.Working = named.Closed, named.On, named.Working
		}
	}
	if e.Result.Cut != nil {
		f.state = dark(f.state)
		return nil, nil
	}
	return e.Result.Captured, nil
}

// acted is a state after what a hand does: to a breaker or switch, a source, or
// the plugs.
func acted(d *design.Design, s airframe.State, action, circuit, source string) airframe.State {
	out := s.Clone()
	switch action {
	case "feed":
		out.Sources = append(out.Sources, source)
	case "unfeed":
		out.Sources = slices.DeleteFunc(out.Sources, func(x string) bool { return x == source })
	case "plug", "unplug":
		out.Unplugged = action == "unplug"
	default:
		return moved(d, s, action, circuit)
	}
	return out
}
