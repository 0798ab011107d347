package faultfind

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/scripts"
)

func exampleDesign(t testing.TB, name string) *design.Design {
	t.Helper()
	text, ok := scripts.Design(name)
	require.True(t, ok)
	d, err := design.Parse(name+".yaml", text)
	require.NoError(t, err)
	return d
}

// A world is an aircraft that exists, with its parts anywhere inside what sound
// ones may be, a fault in, and a person with a meter and a supply.
type world struct {
	d     *design.Design
	model *airframe.Model
	r     *rand.Rand
	gain  float64 // of the meter
	amps  float64 // gain of the ammeter
	state airframe.State
	twist twist // what is wrong with an instrument
	moves int
	black string // where the black probe is clipped
}

// The meter: 0.05 % of reading and 2 digits of 1 mV; the ammeter: 0.2 % and
// 10 mA. Usual for good handheld meters and for a supply's display.
const (
	meterGain, meterFixed = 0.0005, 0.002
	ampsGain, ampsFixed   = 0.002, 0.010
)

func newWorld(d *design.Design, faults []airframe.Fault, seed uint64) (*world, error) {
	w := &world{d: d, model: airframe.New(d), r: rand.New(rand.NewPCG(seed, 0xfa017)), black: "battery-"}
	for _, f := range faults {
		if err := w.model.Break(f); err != nil {
			return nil, err
		}
	}
	even := func() float64 { return 2*w.r.Float64() - 1 }
	w.model.Vary(even)
	w.gain, w.amps = meterGain*even(), ampsGain*even()
	w.state = airframe.AllOn(d, feeding(d))
	return w, nil
}

func feeding(d *design.Design) string {
	if s := d.SourceOf(design.BenchSupply); s != nil {
		return s.Name
	}
	return d.SourceOf(design.Battery).Name
}

// read takes a reading; values come from the model unless another solver gives
// them.
func (w *world) read(q airframe.Quantity, in airframe.State) (Reading, error) {
	w.model.Set(in)
	r := w.shown(q, in, 0)
	really := q
	if w.twist.acts(&r, w.black) {
		really = w.twist.of(q)
	}
	v, err := w.model.Value(really)
	if w.twist.acts(&r, w.black) {
		v = v*(1+w.twist.gain) + w.twist.zero
		if w.twist.reversed {
			v = -v
		}
	}
	return w.shown(q, in, v), err
}

// shown is what the instrument shows of a true value.
func (w *world) shown(q airframe.Quantity, in airframe.State, v float64) Reading {
	even := func() float64 { return 2*w.r.Float64() - 1 }
	if q.From == "" {
		return Reading{
			Of: q, In: in, Value: v*(1+w.amps) + ampsFixed*even(), U: ampsFixed * fixedShare,
			Gain: ampsGain * fixedShare, Instrument: "supply", Range: 50,
		}
	}
	v = v*(1+w.gain) + meterFixed*even()
	return Reading{
		Of: q, In: in, Value: math.Round(v*1000) / 1000, U: math.Hypot(meterFixed*fixedShare, 0.001/math.Sqrt(12)),
		Gain: meterGain * fixedShare, Instrument: "meter", Range: 20,
	}
}

// complaint is what is known before anybody looks for anything: the voltage at
// each load and each bus, and the supply's current, with everything on.
func (w *world) complaint() (*Case, error) {
	c := &Case{Design: w.d}
	var quantities []airframe.Quantity
	for _, b := range w.d.Buses {
		quantities = append(quantities, airframe.Between(b.Name, w.black))
	}
	for _, k := range w.d.Circuits {
		if k.Load != nil && w.state.On[k.Name] {
			quantities = append(quantities, airframe.Between(k.Name+".load+", k.Name+".load-"))
		}
	}
	quantities = append(quantities, airframe.OutOf(w.state.Sources[0]))
	for i, q := range quantities {
		r, err := w.read(q, w.state)
		if err != nil {
			return nil, err
		}
		r.ID = fmt.Sprintf("r%d", i)
		c.Readings = append(c.Readings, r)
		c.Looks = append(c.Looks, Look{r.ID, q.String(), i, -1})
	}
	return c, nil
}

// worksheet is what a whole first power-on reads: circuit after circuit, every
// point along it.
func (w *world) worksheet() (*Case, error) {
	c := &Case{Design: w.d}
	state := airframe.State{Sources: w.state.Sources}.Clone()
	for _, f := range w.d.Feeders {
		state.Closed[f.Name], state.On[f.Name] = true, f.Load == nil
	}
	take := func(q airframe.Quantity) (int, error) {
		r, err := w.read(q, state)
		if err != nil {
			return 0, err
		}
		r.ID = fmt.Sprintf("r%d", len(c.Readings))
		c.Readings = append(c.Readings, r)
		return len(c.Readings) - 1, nil
	}
	look := func(title string, plus, minus int) {
		c.Looks = append(c.Looks, Look{fmt.Sprintf("s%d", len(c.Looks)), title, plus, minus})
	}
	for _, k := range w.d.Circuits {
		if k.NoBench != "" || k.Load == nil || k.Load.Duty == design.Intermittent {
			continue
		}
		before, err := take(airframe.OutOf(state.Sources[0]))
		if err != nil {
			return nil, err
		}
		state = state.Clone()
		state.Closed[k.Name], state.On[k.Name] = true, true
		after, err := take(airframe.OutOf(state.Sources[0]))
		if err != nil {
			return nil, err
		}
		look(k.Name+" current", after, before)
		last := -1
		for _, point := range w.d.Feed(k) {
			i, err := take(airframe.Between(point, w.black))
			if err != nil {
				return nil, err
			}
			if last >= 0 {
				look("drop to "+point, last, i)
			}
			last = i
		}
		i, err := take(airframe.Between(k.Name+".load+", k.Name+".load-"))
		if err != nil {
			return nil, err
		}
		look(k.Name+" load", i, -1)
		look(k.Name+" return", last, i)
	}
	return c, nil
}

// probe does what the advice says, and counts.
func (w *world) probe(p Probe) (float64, error) {
	w.moves += p.Moves
	if p.Moves == 0 {
		w.moves++
	}
	r, err := w.read(p.Of, p.In)
	return r.Value, err
}

// answers tells whether a part of an explanation names the fault: the same place
// and, for the electrics, the same kind.
func answers(p Part, f airframe.Fault) bool {
	at := func(names ...string) bool {
		for _, n := range names {
			if n == f.At {
				return true
			}
		}
		return false
	}
	places := append([]string{p.Where}, p.Or...)
	for _, or := range p.Or { // of another kind, told in a sentence
		places = append(places, strings.FieldsFunc(or, func(r rune) bool { return r == ' ' || r == ',' || r == ':' })...)
	}
	switch f.Kind {
	case airframe.HighResistanceJoint, airframe.WrongGauge, airframe.WrongLength, airframe.OpenCircuit:
		return at(places...) && (p.Kind == "joint" || p.Kind == "contact" || p.Kind == "gauge" || p.Kind == "length" || p.Kind == "open")
	case airframe.BadGround:
		return at(places...) && p.Kind == "ground"
	case airframe.OversizedBreaker:
		return p.Circuit == f.At && (p.Kind == "breaker-rating" || p.Kind == "breaker-contacts")
	case airframe.WornContacts:
		return p.Circuit == f.At && p.Kind == f.Other+"-contacts"
	case airframe.SwappedCircuits, airframe.SwappedPins:
		return p.Kind == string(f.Kind) && (p.Where == f.At+" "+f.Other || p.Where == f.Other+" "+f.At)
	case airframe.WrongDraw:
		return p.Kind == "load" && p.Circuit == f.At
	case airframe.ShortToAirframe, airframe.ParasiticLoad:
		return (p.Kind == "leak" || p.Kind == "parasitic") && at(places...)
	case airframe.WrongVoltage, airframe.WeakBattery:
		return p.Kind == "source" && at(places...)
	}
	return false
}

// explains tells whether an explanation names the fault.
func explains(e Explanation, f airframe.Fault) bool {
	for _, p := range e.Parts {
		if answers(p, f) {
			return true
		}
	}
	return false
}
