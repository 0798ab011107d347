package faultfind

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/design/generate"
	"loomproof/checks/wire"
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
	fault airframe.Fault
	moves int
	red   string // where the probes are
	black string
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
	v, err := w.model.Value(q)
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
		r.ID, r.In = fmt.Sprintf("r%d", len(c.Readings)), state.Clone()
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

// randomFault picks a kind and a place evenly, and a size that matters: one that
// moves something by more than what sound parts may.
func randomFault(d *design.Design, r *rand.Rand) airframe.Fault {
	m := airframe.New(d)
	m.Set(airframe.AllOn(d, feeding(d)))
	even := func(lo, hi float64) float64 { return lo * math.Pow(hi/lo, r.Float64()) }
	circuits := []*design.Circuit{}
	for _, k := range d.Circuits {
		if k.NoBench == "" && k.Load != nil && k.Load.Duty != design.Intermittent {
			circuits = append(circuits, k)
		}
	}
	k := circuits[r.IntN(len(circuits))]
	run := k.Runs[r.IntN(len(k.Runs))]
	for {
		switch r.IntN(12) {
		case 0, 1:
			return airframe.Fault{Kind: airframe.HighResistanceJoint, At: run.Name, Size: even(0.03, 1)}
		case 2:
			if len(d.Connectors) == 0 {
				continue
			}
			var pins []string
			for _, c := range d.Connectors {
				for i := 1; i <= c.Pins; i++ {
					name := fmt.Sprintf("%s.%d", c.Name, i)
					if t := d.Terminal(name); t != nil && len(t.Runs) > 0 && t.Runs[0].Circuit.NoBench == "" {
						pins = append(pins, name)
					}
				}
			}
			return airframe.Fault{Kind: airframe.HighResistanceJoint, At: pins[r.IntN(len(pins))], Size: even(0.03, 1)}
		case 3:
			way := d.Return(k)
			return airframe.Fault{Kind: airframe.BadGround, At: way[len(way)-1], Size: even(0.02, 0.5)}
		case 4:
			// A thicker wire is only heavier: two sizes thinner is what matters.
			if near := neighbours(run.Gauge); len(near) == 4 {
				return airframe.Fault{Kind: airframe.WrongGauge, At: run.Name, Gauge: near[3]}
			}
		case 5:
			if k.Breaker == nil {
				continue
			}
			rating := ratings[r.IntN(len(ratings))]
			if rating == float64(k.Breaker.Rating) {
				continue
			}
			return airframe.Fault{Kind: airframe.OversizedBreaker, At: k.Name, Size: rating}
		case 6:
			if k.Switch == nil {
				continue
			}
			return airframe.Fault{Kind: airframe.WornContacts, At: k.Name, Other: "switch", Size: even(0.03, 1)}
		case 7:
			return airframe.Fault{Kind: airframe.OpenCircuit, At: run.Name}
		case 8:
			o := circuits[r.IntN(len(circuits))]
			if o == k || o.Protector() == nil || k.Protector() == nil {
				continue
			}
			return airframe.Fault{Kind: airframe.SwappedCircuits, At: k.Name, Other: o.Name}
		case 9:
			factor := even(1.3, 3)
			if r.IntN(2) == 0 {
				factor = even(0.2, 0.7)
			}
			return airframe.Fault{Kind: airframe.WrongDraw, At: k.Name, Size: factor}
		case 10:
			way := d.Feed(k)
			at := way[1+r.IntN(len(way)-1)]
			return airframe.Fault{Kind: airframe.ShortToAirframe, At: at, Size: float64(d.Aircraft.Nominal) / even(0.5, 5)}
		case 11:
			return airframe.Fault{Kind: airframe.WrongVoltage, At: feeding(d), Size: -even(0.03, 0.15) * float64(d.Aircraft.Nominal)}
		}
	}
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
	switch f.Kind {
	case airframe.HighResistanceJoint, airframe.WrongGauge, airframe.WrongLength, airframe.OpenCircuit:
		return at(places...) && (p.Kind == "joint" || p.Kind == "contact" || p.Kind == "gauge" || p.Kind == "length" || p.Kind == "open")
	case airframe.BadGround:
		return at(places...) && p.Kind == "ground"
	case airframe.OversizedBreaker:
		return p.Circuit == f.At && (p.Kind == "breaker-rating" || p.Kind == "breaker-contacts")
	case airframe.WornContacts:
		return p.Circuit == f.At && p.Kind == f.Other+"-contacts"
	case airframe.SwappedCircuits:
		return p.Kind == "swapped-circuits" && (p.Where == f.At+" "+f.Other || p.Where == f.Other+" "+f.At)
	case airframe.WrongDraw:
		return p.Kind == "load" && p.Circuit == f.At
	case airframe.ShortToAirframe:
		return p.Kind == "leak" && at(places...)
	case airframe.ParasiticLoad:
		return p.Kind == "parasitic" && at(places...)
	case airframe.WrongVoltage:
		return p.Kind == "source" && at(places...)
	}
	return false
}

func explains(e Explanation, f airframe.Fault) bool {
	for _, p := range e.Parts {
		if answers(p, f) {
			return true
		}
	}
	return false
}

var (
	_ = wire.Verified
	_ = generate.Design
)
