package trend

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
	"loomproof/checks/wire"
	"loomproof/probe"
)

// A Value is one quantity of a worksheet, brought to the design's conditions.
type Value struct {
	ID      string  `json:"id"`
	Circuit string  `json:"circuit"`
	Title   string  `json:"title"`
	Unit    string  `json:"unit"`
	Value   float64 `json:"value"`
	U       float64 `json:"u"` // standard uncertainty that it has for itself

	// Shared is what it shares with other values, by cause: how far one standard
	// deviation of the cause moves it.
	Shared map[string]float64 `json:"shared,omitempty"`

	// More tells which way is worse: 1 more, -1 less, 0 neither.
	More  int      `json:"more"`
	Low   *float64 `json:"low"` // its limits, in its own unit; nil where there is none
	High  *float64 `json:"high"`
	Tags  []string `json:"tags,omitempty"` // what it hangs on: ground point G4, connector J2, bundle nose
	State string   `json:"-"`              // why it cannot be compared; "" if it can

	design float64 // what the design has there, at its own conditions
}

// A Sheet is a worksheet made ready to be compared.
type Sheet struct {
	ID        int64
	At        time.Time
	Aircraft  string
	Procedure string
	Revision  string
	Design    *design.Design
	Values    []Value
	Celsius   float64 // the day's temperature
	UCelsius  float64 // its standard uncertainty
}

// Repeat is what a sound part may change by itself between two performances, as
// a standard deviation: a part of its usual resistance, and ohms. Common
// practice; no published source.
var Repeat = map[airframe.PartKind]struct{ Share, Ohms float64 }{
	airframe.WireRun:   {0.005, 0.05e-3},
	airframe.Contact:   {0.05, 0.1e-3},
	airframe.Protector: {0.02, 0.2e-3},
	airframe.Switch:    {0.05, 0.2e-3},
	airframe.Bond:      {0.05, 0.05e-3},
	airframe.Shunt:     {0.002, 0},
	airframe.Clip:      {0.5, 0},
}

// unknownCelsius is the standard uncertainty of the day's temperature where
// nobody has read it, in kelvins. Common practice; no published source.
const unknownCelsius = 6.0

// readCelsius is that of a temperature that was read.
const readCelsius = 1.0

// loadRepeat is how far a load's draw may change by itself between the reading of
// its current and that of a drop, as a part of it. Common practice; no published
// source.
const loadRepeat = 0.002

// loadOwn is what a sound load's draw may change by itself from one year to the
// next, as a part of it. Common practice; no published source.
const loadOwn = 0.02

// FromWorksheet reads a worksheet of a logbook.
func FromWorksheet(w *logbook.Worksheet) (*Sheet, error) {
	records := w.Records()
	s, err := procedure.Fold(records)
	if err != nil {
		return nil, fmt.Errorf("trend: worksheet %d: %w", w.ID(), err)
	}
	h, err := procedure.Tell(s.Design, records)
	if err != nil {
		return nil, fmt.Errorf("trend: worksheet %d: %w", w.ID(), err)
	}
	out, err := Read(s, h)
	if err != nil {
		return nil, fmt.Errorf("trend: worksheet %d: %w", w.ID(), err)
	}
	out.ID = w.ID()
	return out, nil
}

// Read makes a worksheet ready. Steps with a number that the model does not know
// (a set-point, a ripple, a deviation) are taken as they stand.
func Read(s *procedure.Sheet, h procedure.History) (*Sheet, error) {
	out := &Sheet{
		At: s.Begun, Aircraft: s.Design.Aircraft.Name, Procedure: s.Opening.Procedure, Revision: s.Opening.Revision, Design: s.Design,
		Celsius: float64(*s.Design.Aircraft.Ambient), UCelsius: unknownCelsius,
	}
	for _, step := range s.Steps {
		if ofTheDay(step) && step.Reading != nil {
			out.Celsius, out.UCelsius = *step.Reading, readCelsius
		}
	}
	r := newReader(out, s, h)
	for _, step := range s.Steps {
		if step.Reading == nil || ofTheDay(step) || step.Verdict == string(verdict.NotDone) || step.What == procedure.WhatMarking || step.What == procedure.WhatCut {
			continue
		}
		v, err := r.value(step)
		if err != nil {
			return nil, fmt.Errorf("step %s: %w", step.ID, err)
		}
		out.Values = append(out.Values, v)
	}
	return out, nil
}

// ofTheDay tells a step that reads the temperature of the air: a condition, not a
// quantity of the aircraft.
func ofTheDay(step procedure.Step) bool {
	return step.Quantity == string(probe.Temperature) && strings.Contains(step.What, "air")
}

// A reader brings the values of one worksheet to the design's conditions.
type reader struct {
	sheet  *Sheet
	taken  map[string]procedure.Taken
	ids    map[string]probe.Identity
	asIs   *airframe.Model // as the design has it
	onDay  *airframe.Model // as it was on the day
	draws  map[string]draw // by circuit
	copper []float64       // ohms of copper in each part
}

// A draw is a load's current as it was read.
type draw struct {
	factor float64 // of what the design has under the day's conditions
	u      float64 // of the factor
}

func newReader(out *Sheet, s *procedure.Sheet, h procedure.History) *reader {
	r := &reader{sheet: out, taken: map[string]procedure.Taken{}, ids: map[string]probe.Identity{}, draws: map[string]draw{}}
	for _, t := range h.Readings {
		r.taken[t.ID] = t
	}
	for _, i := range s.Instruments {
		r.ids[i.Identity.Name] = i.Identity
	}
	r.asIs = airframe.New(s.Design)
	day := *s.Design
	celsius := units.Celsius(out.Celsius)
	day.Aircraft.Ambient = &celsius
	r.onDay = airframe.New(&day)
	for _, p := range r.asIs.Parts() {
		ohms := 0.0
		if p.Run != nil {
			ohms = wire.Nominal * p.Run.Gauge.MaxResistance(float64(*s.Design.Aircraft.Ambient)) * float64(p.Run.Length)
		}
		r.copper = append(r.copper, ohms)
	}
	for _, step := range s.Steps {
		r.takeDraw(step)
	}
	for circuit, d := range r.draws {
		_ = r.onDay.Break(airframe.Fault{Kind: airframe.WrongDraw, At: circuit, Size: d.factor}) // it has a load: it was read
	}
	return r
}

// takeDraw takes a circuit's own current.
func (r *reader) takeDraw(step procedure.Step) {
	if step.What != procedure.WhatCurrent || step.Reading == nil || len(step.Captures) == 0 || step.Uncertainty == nil {
		return
	}
	t, ok := r.taken[step.Captures[0]]
	k := r.sheet.Design.Circuit(step.Circuit)
	if !ok || k == nil || k.Load == nil {
		return
	}
	r.onDay.Set(t.State)
	amperes, err := r.onDay.Value(airframe.Into(step.Circuit))
	if err != nil || amperes < 0.02 || *step.Reading < 0.1*amperes {
		return // nothing flowed: that is a fault, not a condition
	}
	f := *step.Reading / amperes
	r.draws[step.Circuit] = draw{f, math.Hypot(*step.Uncertainty/2/amperes, loadRepeat*f)}
}

// value is one step's value.
func (r *reader) value(step procedure.Step) (Value, error) {
	v := Value{
		ID: step.ID, Circuit: step.Circuit, Title: step.Title, Unit: step.Unit, Value: *step.Reading,
		Low: step.Low, High: step.High, Shared: map[string]float64{},
	}
	if step.Uncertainty != nil {
		v.U = *step.Uncertainty / 2
	}
	q, known := r.quantity(step)
	t, ok := procedure.Taken{}, false
	if len(step.Captures) > 0 {
		t, ok = r.taken[step.Captures[0]]
	}
	if !known || !ok {
		return v, nil // as it stands
	}
	r.splitGain(&v, step)
	return r.bring(v, step, q, t.State)
}

// quantity is what a step reads in terms of the model; false for what the model
// does not know.
func (r *reader) quantity(step procedure.Step) (airframe.Quantity, bool) {
	switch step.What {
	case procedure.WhatCurrent:
		return airframe.Into(step.Circuit), r.sheet.Design.Circuit(step.Circuit) != nil
	case procedure.WhatTotal:
		for _, id := range step.Captures {
			if t, ok := r.taken[id]; ok && len(t.State.Sources) > 0 {
				return airframe.OutOf(t.State.Sources[0]), true
			}
		}
	case procedure.WhatBus, procedure.WhatLoad, procedure.WhatDrop, procedure.WhatProtector, procedure.WhatReturn, procedure.WhatFeeder:
		return airframe.Between(step.From, step.To), r.asIs.Powered(step.From) && r.asIs.Powered(step.To)
	}
	return airframe.Quantity{}, false
}

// splitGain takes the gain of the instrument out of a value's own uncertainty and
// puts it with what is shared.
func (r *reader) splitGain(v *Value, step procedure.Step) {
	last := r.taken[step.Captures[0]].Last
	gain := last.Accuracy.OfReading / math.Sqrt(3) * math.Abs(v.Value)
	if gain == 0 || gain*gain > v.U*v.U*(1+1e-9) {
		return
	}
	v.U = math.Sqrt(math.Max(0, v.U*v.U-gain*gain))
	v.Shared[r.gainOf(last)] = gain
}

// gainOf names the gain of an instrument on a range: the same in another
// worksheet only if it is the same instrument, not calibrated anew.
func (r *reader) gainOf(last probe.Reading) string {
	id, ok := r.ids[last.Source]
	if !ok || id.Serial == "" {
		return fmt.Sprintf("gain of %s on range %g, worksheet of %s", last.Source, last.FullScale, r.sheet.At)
	}
	return fmt.Sprintf("gain of %s %s %s on range %g, calibrated %s", id.Maker, id.Model, id.Serial, last.FullScale, id.Calibrated.Format(time.DateOnly))
}

// sameConditions is how near the two solutions must be to nothing for a ratio to
// mean nothing: volts or amperes.
const sameConditions = 1e-4

// bring brings a value to the design's conditions.
func (r *reader) bring(v Value, step procedure.Step, q airframe.Quantity, s airframe.State) (Value, error) {
	rated := s.Clone()
	rated.SupplyVolts = 0 // the design's own
	rated.SupplyLimit = 0
	r.asIs.Set(rated)
	ref, err := r.asIs.Sense(q)
	if err != nil {
		return v, err
	}
	r.onDay.Set(s)
	if step.What == procedure.WhatCurrent || step.What == procedure.WhatTotal {
		// The draw is what is asked for: not a condition.
		r.onDay.Mend()
		defer r.drawAgain()
	}
	day, err := r.onDay.Value(q)
	if err != nil {
		return v, err
	}
	v.design = ref.Value
	scale := 1.0
	switch step.What {
	case procedure.WhatBus, procedure.WhatLoad:
		v.Value += ref.Value - day
		v.More = -1
	default:
		if math.Abs(day) < sameConditions || math.Abs(ref.Value) < sameConditions {
			v.State = "nothing flows there"
			return v, nil
		}
		scale = ref.Value / day
		if step.What != procedure.WhatCurrent && step.What != procedure.WhatTotal {
			v.More = 1
		}
	}
	v.scale(scale)
	r.day(&v, step, ref)
	r.tags(&v, q)
	if step.What == procedure.WhatDrop || step.What == procedure.WhatProtector {
		r.perAmpere(&v, q)
	}
	return v, nil
}

func (r *reader) drawAgain() {
	for circuit, d := range r.draws {
		_ = r.onDay.Break(airframe.Fault{Kind: airframe.WrongDraw, At: circuit, Size: d.factor})
	}
}

// scale multiplies a value, its limits and all its uncertainties.
func (v *Value) scale(by float64) {
	v.Value *= by
	v.U *= math.Abs(by)
	for cause := range v.Shared {
		v.Shared[cause] *= by
	}
	for _, limit := range []**float64{&v.Low, &v.High} {
		if *limit != nil {
			scaled := **limit * by
			*limit = &scaled
		}
	}
}

// day adds what the day leaves open: temperature, source, the currents that were
// read, and what sound parts do by themselves.
func (r *reader) day(v *Value, step procedure.Step, ref *airframe.Sense) {
	on := fmt.Sprintf("worksheet of %s", r.sheet.At)
	own := 0.0
	kelvin := 0.0
	for i, p := range r.asIs.Parts() {
		repeat := Repeat[p.Kind]
		own += sq(ref.Parts[i] * math.Hypot(repeat.Share*p.Ohms.Usual, repeat.Ohms))
		kelvin += ref.Parts[i] * r.copper[i] * (wire.AtTemperature(21) - wire.AtTemperature(20))
	}
	v.Shared["temperature, "+on] = kelvin * r.sheet.UCelsius
	current := step.What == procedure.WhatCurrent || step.What == procedure.WhatTotal
	for i, l := range r.asIs.Loads() {
		slope := ref.Loads[i]
		d, read := r.draws[l.Circuit.Name]
		switch {
		case current:
			own += sq(slope * loadOwn)
		case l.Coil:
		case read:
			v.Shared["current of "+l.Circuit.Name+", "+on] = slope * d.u / d.factor
		default:
			// Nobody has read it. What the load draws is its own, in both years;
			// what it wanders from one to the other is the day's.
			v.Shared["draw of "+l.Circuit.Name] = slope * l.Tolerance / math.Sqrt(3)
			v.Shared["current of "+l.Circuit.Name+", "+on] = slope * loadOwn
		}
	}
	for i, s := range r.asIs.Sources() {
		if ref.Sources[i] != 0 {
			v.Shared["source "+s.Source.Name+", "+on] = ref.Sources[i] * (s.Below + s.Above) / 2 / math.Sqrt(3)
		}
	}
	v.U = math.Sqrt(v.U*v.U + own)
}

func sq(x float64) float64 { return x * x }

// perAmpere tells a drop as a resistance, where it lies over one part.
func (r *reader) perAmpere(v *Value, q airframe.Quantity) {
	for _, p := range r.asIs.Parts() {
		if p.From == q.From && p.To == q.To || p.From == q.To && p.To == q.From {
			amperes, err := r.asIs.Through(p)
			if err != nil || math.Abs(amperes) < 0.01 {
				return
			}
			v.scale(1 / math.Abs(amperes))
			v.design /= math.Abs(amperes)
			v.Unit = "Ω"
			return
		}
	}
}

// tags names what a value hangs on.
func (r *reader) tags(v *Value, q airframe.Quantity) {
	d := r.sheet.Design
	add := func(tag string) {
		if !slices.Contains(v.Tags, tag) {
			v.Tags = append(v.Tags, tag)
		}
	}
	for _, end := range []string{q.From, q.To} {
		if d.IsGround(end) {
			add("ground point " + end)
		}
	}
	way := d.Path(q.From, q.To)
	if q.From != "" && way == nil { // over a load: both its sides
		if k := d.Circuit(v.Circuit); k != nil {
			way = append(d.Feed(k), d.Return(k)...)
		}
	}
	for _, point := range way {
		if d.IsGround(point) && point != way[len(way)-1] || d.IsGround(point) && q.To != point {
			add("ground point " + point)
		}
	}
	for i := 1; i < len(way); i++ {
		for _, p := range r.asIs.Parts() {
			if !(p.From == way[i-1] && p.To == way[i] || p.To == way[i-1] && p.From == way[i]) {
				continue
			}
			switch {
			case p.Kind == airframe.Contact:
				name, _, _ := strings.Cut(p.Name, ".")
				add("connector " + name)
			case p.Run != nil && p.Run.Bundle != "":
				add("bundle " + p.Run.Bundle)
			}
		}
	}
}
