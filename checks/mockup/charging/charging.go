// Package charging is a charging system that is not there: engine, alternator
// or permanent-magnet generator, rectifier, regulator, battery, loads, starter
// and the ways between, solved in steps of time, with faults put in.
//
//	m := charging.New(charging.MarshHen(), charging.Fault{Kind: charging.OpenDiode, Size: math.Inf(1)})
//	log, err := m.Record(charging.GroundRun(), 90, charging.Taps(1000)...)
//	m.Step(); m.Now().Bus      // or step by step, behind an emulated instrument
//
// Recordings of it try the analysis of ground runs; the two share no code and no
// formula. Its rectifier with battery is held against ngspice in the tests.
//
// # What is solved
//
// Three phases, each an EMF behind resistance and inductance, star connected;
// six diodes, each a threshold and a resistance; the direct-current side as the
// source that the bridge sees: battery (rested voltage by charge, resistance,
// two time constants, the last one rising as the battery fills), loads,
// starter, leads, the way from engine block to battery. Backward Euler with a
// fixed step; the diodes' states are found anew in each step.
//
// The parts are of usual size for the class of aircraft, from common practice;
// none is a measurement of a real one. A seed makes the noise, so that a run can
// be had again.
package charging

import (
	"math"
	"math/rand/v2"
)

// A Config is what the system is made of. SI units throughout, temperatures in
// °C, speeds in revolutions a second.
type Config struct {
	Nominal    float64 // system voltage while charging: 14 or 28
	Celsius    float64 // of the air at the start
	Engine     Engine
	Alternator Alternator
	Regulator  Regulator
	Battery    Battery
	Wiring     Wiring
	Loads      []Load
	Seed       uint64
	Step       float64 // seconds; 0 is 20 µs
}

// Engine is what turns the alternator.
type Engine struct {
	CrankHz   float64 // speed that the starter reaches
	Lag       float64 // seconds in which it follows the throttle
	Unsteady  float64 // standard deviation of the speed about its setting, as a part of it
	Cylinders int     // of a four-stroke engine: their compression shows in the starter's current
}

// Alternator is the generator with its rectifier.
type Alternator struct {
	Ratio      float64 // its speed over the engine's
	PolePairs  float64
	VoltsPerHz float64 // peak of a phase's EMF over electrical frequency, at full flux
	PhaseOhms  float64
	PhaseHenry float64
	DiodeVolts float64 // threshold of one diode
	DiodeOhms  float64

	// The field winding; FieldOhms 0 is a permanent magnet.
	FieldOhms  float64
	FieldHenry float64
}

// Regulator holds the voltage.
type Regulator struct {
	Kind       RegulatorKind
	Set        float64 // volts at 20 °C without load
	PerKelvin  float64 // change of Set with its own temperature, V/K
	PerAmpere  float64 // change of Set with the alternator's current, V/A
	Band       float64 // Linear: volts over which the field goes from all to nothing
	Hysteresis float64 // Switching and Gated: volts between on and off
	Lag        float64 // seconds in which it sees the voltage
	Warming    float64 // kelvin that it warms up by in the run
}

// RegulatorKind says how a regulator works.
type RegulatorKind int

// The kinds of regulator. Gated is for a permanent magnet: the bridge's upper
// devices are thyristors that are fired or not.
const (
	Linear RegulatorKind = iota
	Switching
	Gated
)

// Battery is a lead-acid battery.
type Battery struct {
	Cells    int
	Charge   float64 // part of its capacity that is in it at the start, 0 to 1
	Capacity float64 // Ah
	Ohms     float64 // at once
	Slow     float64 // ohms that follow within SlowTime
	SlowTime float64 // seconds
	Filling  float64 // ohms of its resistance to charge when nine tenths full, following within FillingTime
}

const fillingTime = 20.0 // seconds

// Wiring is the resistance of the ways, in ohms.
type Wiring struct {
	Output  float64 // alternator's post to the bus
	Battery float64 // battery's plus post to the bus, and its minus post to the ground of the loads
	Earth   float64 // engine block, where alternator and starter return, to the battery's minus post
	Starter float64 // bus to starter
	Audio   float64 // bus to the audio supply's pins

	// AudioHz is the corner of the filter before the audio supply; 0 is none.
	AudioHz float64
}

// A Load is what can be switched on.
type Load struct {
	Name      string
	Draw      float64 // A at the nominal voltage
	Power     bool    // draws constant power; else it is a resistance
	Inrush    float64 // current at once over Draw, where above 1
	InrushFor float64 // seconds in which it settles
	Pulse     float64 // seconds from flash to flash of a strobe; 0 is steady
}

// MarshHen is the invented aircraft's system, sound: 14 V, 60 A, 18 Ah.
func MarshHen() Config {
	return Config{
		Nominal: 14, Celsius: 20,
		Engine: Engine{CrankHz: 3, Lag: 0.6, Unsteady: 0.002, Cylinders: 4},
		Alternator: Alternator{
			Ratio: 2.2, PolePairs: 6, VoltsPerHz: 0.080, PhaseOhms: 0.035, PhaseHenry: 180e-6,
			DiodeVolts: 0.75, DiodeOhms: 0.004, FieldOhms: 4, FieldHenry: 0.5,
		},
		Regulator: Regulator{Kind: Linear, Set: 14.2, PerKelvin: -0.006, PerAmpere: -0.002, Band: 0.3, Hysteresis: 0.1, Lag: 0.005, Warming: 15},
		Battery:   Battery{Cells: 6, Charge: 0.93, Capacity: 18, Ohms: 0.010, Slow: 0.004, SlowTime: 1, Filling: 0.05},
		Wiring:    Wiring{Output: 0.0025, Battery: 0.003, Earth: 0.001, Starter: 0.002, Audio: 0.03, AudioHz: 200},
		Loads: []Load{
			{Name: "standing", Draw: 3},
			{Name: "fuel-pump", Draw: 3.4, Inrush: 2.6, InrushFor: 0.08},
			{Name: "avionics", Draw: 6, Power: true},
			{Name: "strobe", Draw: 3.2, Power: true, Pulse: 1},
			{Name: "position-lights", Draw: 3.6, Inrush: 8, InrushFor: 0.05},
			{Name: "landing-light", Draw: 7.2, Inrush: 8, InrushFor: 0.08},
			{Name: "cabin-fan", Draw: 2.1, Inrush: 2.4, InrushFor: 0.3},
		},
	}
}

// TwentyEight is a 28 V system of the same power.
func TwentyEight() Config {
	c := MarshHen()
	c.Nominal = 28
	c.Alternator.VoltsPerHz, c.Alternator.PhaseOhms, c.Alternator.PhaseHenry = 0.16, 0.14, 720e-6
	c.Alternator.FieldOhms, c.Alternator.FieldHenry = 16, 2
	c.Regulator = Regulator{Kind: Linear, Set: 28.45, PerKelvin: -0.002, PerAmpere: -0.004, Band: 0.4, Hysteresis: 0.2, Lag: 0.005, Warming: 15}
	c.Battery = Battery{Cells: 12, Charge: 0.93, Capacity: 10, Ohms: 0.022, Slow: 0.009, SlowTime: 1, Filling: 0.2}
	c.Wiring.Output, c.Wiring.Battery = 0.005, 0.006
	for i := range c.Loads {
		c.Loads[i].Draw /= 2
	}
	return c
}

// PermanentMagnet is a light engine's 14 V generator of some 20 A with a gated
// rectifier.
func PermanentMagnet() Config {
	c := MarshHen()
	c.Alternator = Alternator{Ratio: 1, PolePairs: 6, VoltsPerHz: 0.16, PhaseOhms: 0.12, PhaseHenry: 900e-6, DiodeVolts: 0.75, DiodeOhms: 0.008}
	c.Regulator = Regulator{Kind: Gated, Set: 14.1, Hysteresis: 0.15, Lag: 0.002, PerKelvin: -0.004, Warming: 15}
	for i := range c.Loads {
		c.Loads[i].Draw *= 0.5
	}
	return c
}

// Vary makes another aircraft of the same kind: its parts differ by some tens
// of percent, its set-point stays within what service manuals allow.
func (c Config) Vary(seed uint64) Config {
	r := rand.New(rand.NewPCG(seed, 0xa17))
	by := func(part float64) float64 { return 1 + part*(2*r.Float64()-1) }
	double := c.Nominal / 14
	if c.Nominal == 28 {
		c.Regulator.Set = 28.47 + 0.08*(2*r.Float64()-1)
	} else {
		c.Regulator.Set = 14.12 + 0.12*(2*r.Float64()-1)
	}
	c.Regulator.PerKelvin *= by(0.5)
	c.Regulator.PerAmpere *= by(0.5)
	c.Regulator.Warming *= by(0.5)
	if c.Regulator.Kind == Linear && r.IntN(3) == 0 {
		c.Regulator.Kind, c.Regulator.Hysteresis = Switching, double*0.08*by(0.3)
	}
	c.Engine.Unsteady *= by(0.8)
	c.Engine.CrankHz *= by(0.2)
	c.Alternator.Ratio *= by(0.25)
	c.Alternator.PhaseOhms *= by(0.2)
	c.Alternator.PhaseHenry *= by(0.15)
	c.Battery.Charge = 0.85 + 0.14*r.Float64()
	for _, x := range []*float64{
		&c.Battery.Ohms, &c.Battery.Slow, &c.Battery.Filling, &c.Wiring.Output, &c.Wiring.Battery, &c.Wiring.Earth, &c.Wiring.Starter,
	} {
		*x *= by(0.25)
	}
	c.Loads = append([]Load(nil), c.Loads...)
	for i := range c.Loads {
		c.Loads[i].Draw *= by(0.15)
	}
	c.Celsius += 15 * (2*r.Float64() - 1)
	c.Seed = seed
	return c
}

// Now is what stands where, in SI units.
type Now struct {
	Time             float64
	Bus              float64 // against the battery's minus post, as all voltages but one
	BatteryVolts     float64 // at the posts
	AlternatorVolts  float64 // output post against its own case
	AudioVolts       float64
	GroundVolts      float64 // engine block
	BatteryAmperes   float64 // positive: charging
	AlternatorAmpere float64
	LoadAmperes      float64 // without the starter
	StarterAmperes   float64
	EngineHz         float64
	ElectricalHz     float64
	RegulatorCelsius float64
	FieldAmperes     float64
	Charge           float64 // of the battery, 0 to 1
	Phases           [3]float64
}

// A Model is one charging system at work. It is not for several goroutines.
type Model struct {
	c      Config
	dt     float64
	r      *rand.Rand
	bridge bridge
	now    Now

	target  float64 // engine speed that the throttle asks for
	running bool
	starter bool
	wander  float64 // slow part of the speed's unsteadiness
	angle   float64 // electrical
	crank   float64 // angle of the engine
	slip    float64 // of the belt: part of the speed that is lost at 30 A
	grip    float64 // how the belt grips just now, about 0

	fieldOn bool
	open    bool       // nothing reaches the field, whatever is switched
	drive   float64    // part of the bus voltage that the field gets
	borne   float64    // the alternator's current as the regulator's slope follows it
	seen    [2]float64 // the voltage as the regulator sees it, by its lags
	high    bool       // the switching regulator's output
	extra   float64    // seconds of a second lag, with which it hunts

	slow, filling float64 // volts across the battery's time constants
	on            []float64
	audio         float64
}

// New makes a system at rest, with faults. A fault of an unknown kind is a
// programming error and panics.
func New(c Config, faults ...Fault) *Model {
	if c.Step == 0 {
		c.Step = 20e-6
	}
	m := &Model{c: c, dt: c.Step, r: rand.New(rand.NewPCG(c.Seed, 0xc4a46)), on: make([]float64, len(c.Loads))}
	for i := range m.on {
		m.on[i] = math.NaN() // off
	}
	m.bridge = newBridge(c.Alternator, c.Regulator.Kind == Gated)
	for _, f := range faults {
		m.put(f)
	}
	rested := m.rested()
	m.seen = [2]float64{rested, rested}
	m.audio = rested
	m.now = Now{Bus: rested, BatteryVolts: rested, RegulatorCelsius: c.Celsius, Charge: m.c.Battery.Charge}
	return m
}

// Now is the state after the last step.
func (m *Model) Now() Now { return m.now }

// Switch switches a load by its name; false when there is none of it.
func (m *Model) Switch(load string, on bool) bool {
	for i, l := range m.c.Loads {
		if l.Name != load {
			continue
		}
		switch {
		case !on:
			m.on[i] = math.NaN()
		case math.IsNaN(m.on[i]):
			m.on[i] = m.now.Time
		}
		return true
	}
	return false
}

// Field closes or opens the alternator field's switch; it is open at first. Of a
// gated regulator it is the supply of the gates.
func (m *Model) Field(on bool) { m.fieldOn = on }

// Crank engages the starter.
func (m *Model) Crank() { m.starter = true }

// Run starts the engine, or sets its speed; 0 stops it. The starter lets go.
func (m *Model) Run(hz float64) { m.target, m.running, m.starter = hz, hz > 0, false }

// Step goes on by one step of time.
func (m *Model) Step() {
	n := &m.now
	n.Time += m.dt
	m.turn()
	volts := m.regulate()
	m.magnetise(volts)
	side := m.direct()
	amperes := m.rectify(side)
	m.settle(side, amperes)
}

// turn moves engine, belt and rotor on.
func (m *Model) turn() {
	n, e := &m.now, m.c.Engine
	want, lag := m.target, e.Lag
	if m.starter {
		want, lag = e.CrankHz*(1+0.25*math.Sin(m.crank*float64(e.Cylinders)/2)), 0.12
	}
	if m.running {
		// The governor of a human hand: slow wander, and each firing stroke.
		m.wander += -m.wander*m.dt/2 + e.Unsteady*math.Sqrt(m.dt)*m.r.NormFloat64()
		want *= 1 + m.wander + 0.5*e.Unsteady*math.Sin(m.crank*float64(e.Cylinders)/2)
	}
	n.EngineHz += (want - n.EngineHz) * m.dt / lag
	if !m.starter && !m.running && n.EngineHz < 0.01 {
		n.EngineHz = 0
	}
	m.crank = math.Mod(m.crank+2*math.Pi*n.EngineHz*m.dt, 8*math.Pi)
	slip := 0.0
	if m.slip > 0 && n.EngineHz > 0 {
		m.grip += -m.grip*m.dt/0.15 + 0.9*math.Sqrt(m.dt)*m.r.NormFloat64()
		slip = math.Min(0.9, m.slip*math.Max(0, n.AlternatorAmpere/(30*14/m.c.Nominal))*math.Max(0, 1+m.grip))
	}
	n.ElectricalHz = n.EngineHz * m.c.Alternator.Ratio * (1 - slip) * m.c.Alternator.PolePairs
	m.angle = math.Mod(m.angle+2*math.Pi*n.ElectricalHz*m.dt, 2*math.Pi)
	if m.running {
		n.RegulatorCelsius += (m.c.Celsius + m.c.Regulator.Warming - n.RegulatorCelsius) * m.dt / 120
	}
}

// regulate gives the voltage across the field; a gated regulator fires the
// bridge.
func (m *Model) regulate() float64 {
	n, g := &m.now, m.c.Regulator
	sensed := n.Bus - n.GroundVolts
	m.seen[0] += (sensed - m.seen[0]) * m.dt / (g.Lag + m.dt)
	m.seen[1] += (m.seen[0] - m.seen[1]) * m.dt / (m.extra + m.dt)
	m.borne += (n.AlternatorAmpere - m.borne) * m.dt / 0.5
	set := g.Set + g.PerKelvin*(n.RegulatorCelsius-20) + g.PerAmpere*m.borne
	switch v := m.seen[1]; {
	case v > set+g.Hysteresis/2:
		m.high = false
	case v < set-g.Hysteresis/2:
		m.high = true
	}
	m.drive = 0
	switch {
	case !m.fieldOn || m.open:
	case g.Kind == Linear:
		m.drive = math.Min(1, math.Max(0, (set-m.seen[1])/g.Band+0.5))
	case m.high:
		m.drive = 1
	}
	m.bridge.fire = m.drive > 0
	return m.drive * math.Max(0, sensed)
}

// magnetise lets the field's current follow its voltage. It cannot turn round:
// a diode lies across the field.
func (m *Model) magnetise(volts float64) {
	a := m.c.Alternator
	if a.FieldOhms > 0 {
		m.now.FieldAmperes += (volts - a.FieldOhms*m.now.FieldAmperes) * m.dt / a.FieldHenry
	}
}

// flux is the part of the full flux: it saturates, and a little stays in the
// iron without current.
func (m *Model) flux() float64 {
	a := m.c.Alternator
	if a.FieldOhms == 0 {
		return 1
	}
	const saturation, remanence = 0.6, 0.02
	x := m.now.FieldAmperes * a.FieldOhms / m.c.Nominal
	return remanence + x*(1+saturation)/(1+saturation*x)
}

// A side is the direct-current side as the bridge sees it, and the bus as the
// bridge's current moves it: volts = at + ohms × current.
type side struct {
	at, ohms       float64 // between the alternator's post and its case
	busAt, busOhms float64
	conductance    float64 // of loads that are resistances
	constant       float64 // current of loads that are not
	starterS       float64 // conductance of the starter with its ways; 0: not engaged
	starterEMF     float64
	inner          float64 // voltage behind the battery's resistance
	batteryOhms    float64
}

// direct takes the direct-current side together.
func (m *Model) direct() side {
	w := m.c.Wiring
	s := side{inner: m.rested() + m.slow + m.filling, batteryOhms: m.c.Battery.Ohms + w.Battery}
	m.draw(&s)
	if m.starter {
		// A series motor of some 300 A at a standstill, half of that or less when it turns.
		scale := m.c.Nominal / 14
		ohms := 0.030*scale*scale + w.Starter
		s.starterS = 1 / (ohms + w.Earth)
		s.starterEMF = 6.0 * scale * m.now.EngineHz / m.c.Engine.CrankHz
	}
	sum := 1/s.batteryOhms + s.conductance + s.starterS
	s.busAt = (s.inner/s.batteryOhms - s.constant + s.starterS*s.starterEMF) / sum
	s.busOhms = (1 - s.starterS*w.Earth) / sum
	// Post against case: up the output lead to the bus, and down to the block,
	// which the starter's current lifts and the alternator's lowers.
	lift := w.Earth * s.starterS
	s.at = s.busAt - lift*(s.busAt-s.starterEMF)
	s.ohms = s.busOhms - lift*(s.busOhms+w.Earth) + w.Output + w.Earth
	return s
}

// draw sums the loads up, the field among them.
func (m *Model) draw(s *side) {
	s.constant = m.drive * m.now.FieldAmperes
	for i, l := range m.c.Loads {
		since := m.now.Time - m.on[i]
		if math.IsNaN(since) {
			continue
		}
		draw := l.Draw
		if l.Inrush > 1 && since < 12*l.InrushFor {
			draw *= 1 + (l.Inrush-1)*math.Exp(-since/l.InrushFor)
		}
		if l.Pulse > 0 {
			// A flash tube's supply fills its capacitor after each flash.
			draw *= 0.6 + 1.2*math.Exp(-math.Mod(since, l.Pulse)/(l.Pulse/3))
		}
		if l.Power {
			s.constant += draw * m.c.Nominal / math.Max(m.now.Bus, m.c.Nominal/2)
		} else {
			s.conductance += draw / m.c.Nominal
		}
	}
}

// rectify solves the bridge for its direct current.
func (m *Model) rectify(s side) float64 {
	peak := m.c.Alternator.VoltsPerHz * m.now.ElectricalHz * m.flux()
	if peak < 1e-3 {
		m.bridge.rest()
		m.now.Phases = m.bridge.amperes
		return 0
	}
	sin, cos := math.Sincos(m.angle)
	const third = 0.8660254037844386 // sin 120°
	emf := [3]float64{peak * sin, peak * (-0.5*sin - third*cos), peak * (-0.5*sin + third*cos)}
	amperes := m.bridge.solve(emf, s.at, s.ohms, m.dt)
	m.now.Phases = m.bridge.amperes
	return amperes
}

// settle takes over what the current makes of the direct-current side.
func (m *Model) settle(s side, amperes float64) {
	n, w, b := &m.now, m.c.Wiring, m.c.Battery
	n.AlternatorAmpere = amperes
	n.Bus = s.busAt + s.busOhms*amperes
	n.StarterAmperes = 0
	if s.starterS > 0 {
		n.StarterAmperes = s.starterS * (n.Bus + w.Earth*amperes - s.starterEMF)
	}
	n.GroundVolts = w.Earth * (n.StarterAmperes - amperes)
	n.AlternatorVolts = n.Bus + w.Output*amperes - n.GroundVolts
	n.LoadAmperes = s.conductance*n.Bus + s.constant
	n.BatteryAmperes = (n.Bus - s.inner) / s.batteryOhms
	n.BatteryVolts = s.inner + n.BatteryAmperes*b.Ohms
	m.slow += (n.BatteryAmperes*b.Slow - m.slow) * m.dt / b.SlowTime
	fuller := 0.1 / math.Max(0.01, 1.01-n.Charge)
	against := math.Max(0, n.BatteryAmperes) * b.Filling * fuller * math.Sqrt(fuller)
	m.filling += (against - m.filling) * m.dt / fillingTime
	n.Charge = math.Min(1, math.Max(0, n.Charge+n.BatteryAmperes*m.dt/3600/b.Capacity))
	m.listen(s)
}

// listen passes the bus on to the audio supply.
func (m *Model) listen(s side) {
	pin := m.now.Bus - m.c.Wiring.Audio*s.constant
	if hz := m.c.Wiring.AudioHz; hz > 0 {
		m.audio += (pin - m.audio) * m.dt / (m.dt + 1/(2*math.Pi*hz))
	} else {
		m.audio = pin
	}
	m.now.AudioVolts = m.audio
}

// rested is the battery's voltage at rest by its charge: the published points of
// an aircraft-battery maker for its absorbed-glass-mat type, 12 V (10.50, 11.75,
// 12.20, 12.55, 12.80 V at 0, 25, 50, 75, 100 %).
func (m *Model) rested() float64 {
	points := [...]float64{10.50, 11.75, 12.20, 12.55, 12.80}
	x := math.Min(1, math.Max(0, m.charge())) * 4
	i := min(3, int(x))
	return (points[i] + (points[i+1]-points[i])*(x-float64(i))) * float64(m.c.Battery.Cells) / 6
}

// charge is what is in the battery now; before the first step, what the
// configuration says.
func (m *Model) charge() float64 {
	if m.now.Time == 0 {
		return m.c.Battery.Charge
	}
	return m.now.Charge
}
