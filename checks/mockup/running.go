package mockup

import (
	"math"
	"sync"

	"loomproof/checks/airframe"
	"loomproof/checks/mockup/charging"
)

// engineSpeed is what a procedure calls the speed that the pilot sets.
const engineSpeed = "engine speed"

// speeds are those of the ground run, in revolutions a second. What is not in it
// leaves the engine as it is.
var speeds = map[string]float64{"started": 20, "idle": 20, "half way between idle and flight": 31, "flight": 42, "at rest": 0}

// crankFor is how long an emulated starter turns until the engine runs, in seconds.
const crankFor = 1.2

// Throttle sets the engine to a speed by the words of the procedure.
func (m *Mockup) Throttle(speed string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.throttle = speed
}

// A Running mock-up has a charging system that lives in time: its engine is
// started, set and stopped by what the hands do. It is for several goroutines.
type Running struct {
	m *Mockup

	mu      sync.Mutex
	model   *charging.Model
	step    float64
	starter string // circuits of the design
	owed    float64
	hz      float64
	cranked float64 // when the starter was engaged; 0 while it is not
	master  bool
}

// NewRunning gives a mock-up a charging system, with faults.
// Starter is the feeder that cranks its engine.
func NewRunning(m *Mockup, starter string, c charging.Config, faults ...charging.Fault) *Running {
	return &Running{m: m, model: charging.New(c, faults...), step: c.Step, starter: starter}
}

// Advance lets so many seconds pass.
func (r *Running) Advance(seconds float64) {
	state, throttle, alternator := r.m.now()
	r.mu.Lock()
	defer r.mu.Unlock()
	r.follow(state, throttle, alternator)
	for r.owed += seconds; r.owed >= r.step; r.owed -= r.step {
		r.model.Step()
	}
}

// now is what the hands have made of the aircraft.
func (m *Mockup) now() (s airframe.State, throttle string, alternator bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.state.Clone(), m.throttle, m.charging() != ""
}

// follow does in the model what the hands have done. r.mu is held.
func (r *Running) follow(s airframe.State, throttle string, alternator bool) {
	on := func(name string) bool { return s.On[name] && s.Closed[name] }
	r.master = len(s.Sources) > 0 && s.On["master"]
	for load, is := range map[string]bool{
		"standing": r.master, "avionics": on("radio"), "fuel-pump": on("fuel-pump"), "strobe": on("strobe"),
		"position-lights": on("position-lights"), "landing-light": on("landing-light"), "cabin-fan": on("cabin-fan"),
	} {
		r.model.Switch(load, is)
	}
	r.model.Field(alternator)
	now := r.model.Now().Time
	if s.On[r.starter] && r.cranked == 0 && r.hz == 0 {
		r.cranked = now
		r.model.Crank()
	}
	if r.cranked > 0 {
		if now < r.cranked+crankFor {
			return
		}
		r.cranked, r.hz = 0, speeds["started"]
		r.model.Run(r.hz)
	}
	if hz, said := speeds[throttle]; said && hz != r.hz && (r.hz > 0 || hz == 0) {
		r.hz = hz
		r.model.Run(hz)
	}
}

// Bus is the main bus, in volts; 0 while the master is off.
func (r *Running) Bus() float64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	if !r.master {
		return 0
	}
	return r.model.Now().Bus
}

// BatteryAmperes is the current into the battery.
func (r *Running) BatteryAmperes() float64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.model.Now().BatteryAmperes
}

// A ChargingFault is something wrong with the charging system, by name.
type ChargingFault struct {
	Name   string
	Fault  charging.Fault
	Places []string // where a failed step is at the right place
}

// ChargingFaults are what can be planted in the charging system of the Marsh Hen:
// a ground run with a recording finds them.
func ChargingFaults() []ChargingFault {
	alternator, battery := []string{"alternator-lead"}, []string{"battery"}
	return []ChargingFault{
		{"open-diode", charging.Fault{Kind: charging.OpenDiode, Size: math.Inf(1)}, alternator},
		{"open-phase", charging.Fault{Kind: charging.OpenPhase, Size: math.Inf(1)}, alternator},
		{"regulator-hunts", charging.Fault{Kind: charging.Hunting, Size: 0.1}, alternator},
		{"set-point-high", charging.Fault{Kind: charging.HighSetPoint, Size: 1.2}, alternator},
		{"set-point-low", charging.Fault{Kind: charging.LowSetPoint, Size: 1}, alternator},
		{"no-charge", charging.Fault{Kind: charging.NoCharge}, append(alternator, battery...)},
		{"sulphated-battery", charging.Fault{Kind: charging.Sulphated, Size: 4}, battery},
		{"flat-battery", charging.Fault{Kind: charging.FlatBattery, Size: 0.2}, append(battery, "master")},
	}
}
