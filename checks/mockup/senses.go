package mockup

import (
	"math"
	"strconv"
	"time"

	"loomproof/checks/airframe"
	"loomproof/checks/compass"
)

// A Quirk is something wrong that no voltmeter sees, but a person does: with the
// eyes, the ears, a compass, another instrument.
type Quirk struct {
	What  string  // as the procedures name what is looked at
	Where string  // circuit, sender, antenna, or what the procedure calls it
	Value float64 // degrees of a pull, volts of a noise; 0 for what is only seen
	Days  int     // of a date: days from now
	Text  string  // in words
}

func (q Quirk) String() string { return q.Text }

// Plant puts in what no voltmeter sees.
func (m *Mockup) Plant(quirks ...Quirk) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.quirks = append(m.quirks, quirks...)
}

func (m *Mockup) quirk(what, where string) (Quirk, bool) {
	for _, q := range m.quirks {
		if q.What == what && (q.Where == where || q.Where == "") {
			return q, true
		}
	}
	return Quirk{}, false
}

// Sound is whether what a person looks at, or listens to, is as it should be.
func (m *Mockup) Sound(what, where string) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	if what == "noise" {
		return m.noise() < 5*quiet
	}
	_, bad := m.quirk(what, where)
	return !bad
}

// Date is a date that a person reads on a plate or in the record. What runs out
// is good for two years, what was done was done two months ago.
func (m *Mockup) Date(what, where string) time.Time {
	m.mu.Lock()
	defer m.mu.Unlock()
	days := -60
	if what == "replace by" {
		days = 730
	}
	if q, ok := m.quirk(what, where); ok {
		days = q.Days
	}
	return time.Now().UTC().AddDate(0, 0, days)
}

// What an insulation tester shows of good insulation, in ohms: the end of its
// scale. Common practice; no published source.
const goodInsulation = 200e6

// Number is what a person reads where a procedure asks for a number: on a
// thermometer, a compass, an insulation tester, the panel's own instruments.
func (m *Mockup) Number(what, where string) float64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	switch what {
	case "ambient temperature":
		return float64(*m.design.Aircraft.Ambient)
	case "bond":
		ohms, err := m.model.Ohms(airframe.State{Unplugged: true}, where, "")
		if err != nil {
			return 0
		}
		return ohms
	case "insulation":
		ohms, err := m.model.Ohms(m.state, where, "")
		if err != nil || ohms > goodInsulation {
			return goodInsulation
		}
		return ohms
	case "magnetic heading":
		degrees, err := strconv.ParseFloat(where, 64)
		if err != nil {
			return 0
		}
		return degrees
	case "compass heading":
		magnetic, err := strconv.ParseFloat(where, 64)
		if err != nil {
			return 0
		}
		return m.compass(magnetic)
	case "noise":
		return m.noise()
	case "charge current":
		amperes, err := m.model.Value(airframe.OutOf("battery"))
		if err != nil {
			return 0
		}
		return -amperes
	}
	if q, ok := m.quirk(what, where); ok {
		return q.Value
	}
	return usual[what]
}

// usual is what a sound aircraft's own instruments show.
var usual = map[string]float64{
	"battery capacity": 0.93, // of the rated, at the last capacity test
}

// residual is what the airframe itself does to the compass, compensated.
var residual = compass.Coefficients{A: 0.4, B: 2.1, C: -1.6, D: 1.2, E: 0.3}

// compass is what the compass shows, to a degree, with what is switched on.
func (m *Mockup) compass(magnetic float64) float64 {
	pull := 0.0
	for _, q := range m.quirks {
		if q.What == "compass pull" && m.running(q.Where) {
			pull += q.Value
		}
	}
	c := residual
	c.B += 0.8 * pull
	c.C += 0.6 * pull
	return math.Mod(math.Round(c.Steer(magnetic)), 360)
}

// quiet is what stands at the headset with nothing on, in volts.
const quiet = 1.5e-3

// noise is the alternating voltage at the headset.
func (m *Mockup) noise() float64 {
	sum := quiet * quiet
	for _, q := range m.quirks {
		if q.What == "noise" && m.running(q.Where) {
			sum += q.Value * q.Value
		}
	}
	return math.Sqrt(sum)
}

// running tells whether a circuit has its current.
func (m *Mockup) running(circuit string) bool {
	amperes, err := m.model.Value(airframe.Into(circuit))
	return err == nil && amperes > 0.05
}
