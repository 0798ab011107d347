package bench

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"time"

	"loomproof/probe"
)

// MeterOptions says what kind of meter it is.
type MeterOptions struct {
	Identity    string        // the answer to *IDN?; empty for an invented one
	Seed        uint64        // of its errors, its noise and its faults
	Accuracy    Accuracies    // the line within which its own errors lie; none for a perfect meter
	Counts      int           // steps in each range; 0 for 1 000 000
	Noise       float64       // standard deviation of the noise on volts, in volts
	Integration time.Duration // how long one conversion takes; 0 for none
	LeadOhms    float64       // resistance of the two leads, which two-wire ohms include

	// Ohms and Amperes are what stands at the leads for the other functions;
	// without one the leads touch nothing.
	Ohms    func() (value float64, touching bool)
	Amperes func() (value float64, touching bool)
}

// Accuracies holds an accuracy line for each quantity.
type Accuracies map[probe.Quantity]probe.Accuracy

// A Meter is an emulated bench meter that speaks SCPI-1999: DC volts and
// amperes, two-wire and four-wire ohms.
type Meter struct {
	*instrument
	options   MeterOptions
	noise     *rand.Rand
	functions []*function
	chosen    *function
	wander    float64 // what open leads pick up, in volts

	data string // the last result, as it was answered
}

// A function is one of the things that the meter measures, with its ranges.
type function struct {
	name   string // as FUNC? answers it
	header string // as a manual writes it
	ranges []float64
	over   float64 // how far a range reaches past its name; common practice is 1.2

	value func() (float64, bool)
	open  float64 // what it shows when the leads touch nothing; NaN for noise about zero
	noise float64

	gain, offsetDigits, offsetRange float64 // its own errors, fixed for its life

	auto bool
	at   int // index of the range in use
}

// NewMeter makes a meter. Volts is asked what stands at the leads now, and
// whether they touch anything; it is called from the goroutine that serves.
func NewMeter(volts func() (value float64, touching bool), options MeterOptions) *Meter {
	if options.Identity == "" {
		options.Identity = "REEDBED INSTRUMENTS,BENCH METER,MM0042,1.07"
	}
	if options.Counts == 0 {
		options.Counts = 1_000_000
	}
	m := &Meter{options: options, noise: rand.New(rand.NewPCG(options.Seed, 0x4e01))}
	decades := func(from, to float64) (ranges []float64) {
		for r := from; r < to*1.5; r *= 10 {
			ranges = append(ranges, r)
		}
		return ranges
	}
	m.functions = []*function{
		{name: "VOLT", header: "VOLTage[:DC]", ranges: decades(0.1, 1000), over: 1.2, value: volts, open: math.NaN(), noise: options.Noise},
		{name: "CURR", header: "CURRent[:DC]", ranges: []float64{0.01, 0.1, 1, 10}, over: 1.2, value: options.Amperes, open: 0},
		{name: "RES", header: "RESistance", ranges: decades(100, 1e8), over: 1.2, value: m.withLeads(options.Ohms), open: math.Inf(1)},
		{name: "FRES", header: "FRESistance", ranges: decades(100, 1e8), over: 1.2, value: options.Ohms, open: math.Inf(1)},
	}
	quantities := []probe.Quantity{probe.Voltage, probe.Current, probe.Resistance, probe.Resistance}
	errors := rand.New(rand.NewPCG(options.Seed, 0xe4))
	for i, f := range m.functions {
		f.err(options.Accuracy[quantities[i]], errors)
	}
	m.instrument = newInstrument(options.Identity, options.Seed, m.restore)
	m.restore()
	m.learn()
	return m
}

func (m *Meter) withLeads(ohms func() (float64, bool)) func() (float64, bool) {
	if ohms == nil {
		return nil
	}
	return func() (float64, bool) {
		value, touching := ohms()
		return value + m.options.LeadOhms, touching
	}
}

// err draws the function's own errors: together they stay inside nine tenths
// of the accuracy line, which leaves room for the rounding.
func (f *function) err(a probe.Accuracy, source *rand.Rand) {
	draw := func(limit float64) float64 { return 0.9 * limit * (2*source.Float64() - 1) }
	f.gain, f.offsetDigits, f.offsetRange = draw(a.OfReading), draw(a.Digits), draw(a.OfRange)
}

// restore is *RST: DC volts, every function on automatic range.
func (m *Meter) restore() {
	for _, f := range m.functions {
		f.auto, f.at = true, len(f.ranges)-1
	}
	m.chosen, m.data = m.functions[0], ""
}

// Turn is a hand on the front panel, which turns the meter to another function:
// VOLT, CURR, RES or FRES.
func (m *Meter) Turn(name string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, f := range m.functions {
		if f.name == name {
			m.chosen = f
		}
	}
}

// learn adds the meter's commands.
func (m *Meter) learn() {
	add := func(pattern string, run func([]string) (string, code)) {
		m.commands = append(m.commands, define(pattern, run))
	}
	none := func(run func() (string, code)) func([]string) (string, code) {
		return func(arguments []string) (string, code) {
			if len(arguments) > 0 {
				return "", parameterNotAllowed
			}
			return run()
		}
	}
	add("INITiate[:IMMediate]", none(m.initiate))
	add("FETCh?", none(m.fetch))
	add("READ?", none(func() (string, code) {
		m.measure()
		return m.fetch()
	}))
	add("ABORt", none(func() (string, code) { return "", 0 }))
	add("CONFigure?", none(m.configuration))
	add("[SENSe:]FUNCtion[:ON]", m.turnTo)
	add("[SENSe:]FUNCtion[:ON]?", none(func() (string, code) { return `"` + m.chosen.name + `"`, 0 }))
	for _, f := range m.functions {
		add("CONFigure[:SCALar]:"+f.header, func(a []string) (string, code) { return "", m.configure(f, a) })
		add("MEASure[:SCALar]:"+f.header+"?", func(a []string) (string, code) {
			if err := m.configure(f, a); err != 0 {
				return "", err
			}
			m.measure()
			return m.fetch()
		})
		add("[SENSe:]"+f.header+":RANGe[:UPPer]", func(a []string) (string, code) { return "", f.setRange(a) })
		add("[SENSe:]"+f.header+":RANGe[:UPPer]?", f.askRange)
		add("[SENSe:]"+f.header+":RANGe:AUTO", f.setAuto)
		add("[SENSe:]"+f.header+":RANGe:AUTO?", none(func() (string, code) { return digit(f.auto), 0 }))
	}
}

// initiate starts a measurement whose result FETCh? gives.
func (m *Meter) initiate() (string, code) {
	m.measure()
	return "", 0
}

// fetch gives the last result again, without measuring.
func (m *Meter) fetch() (string, code) {
	if m.data == "" {
		return "", dataStale
	}
	return m.data, 0
}

func (m *Meter) configuration() (string, code) {
	full := m.chosen.full()
	return fmt.Sprintf(`"%s %+.6E,%+.6E"`, m.chosen.name, full, full/float64(m.options.Counts)), 0
}

// turnTo is FUNC "VOLT:DC".
func (m *Meter) turnTo(arguments []string) (string, code) {
	text, err := one(arguments)
	if err != 0 {
		return "", err
	}
	name := strings.Trim(text, `"'`)
	if len(name) != len(text)-2 {
		return "", dataTypeError
	}
	for _, f := range m.functions {
		if matches(parsePattern(f.header), strings.Split(strings.ToUpper(name), ":")) {
			m.choose(f)
			return "", 0
		}
	}
	return "", illegalParameterValue
}

// choose also forgets the last result, which belongs to another function.
func (m *Meter) choose(f *function) {
	if m.chosen != f {
		m.data = ""
	}
	m.chosen = f
}

// configure is CONF:<function> <range>,<resolution>. The resolution is taken
// and not used: this meter has one.
func (m *Meter) configure(f *function, arguments []string) code {
	switch {
	case len(arguments) > 2:
		return parameterNotAllowed
	case len(arguments) == 0 || strings.EqualFold(arguments[0], "DEF") || strings.EqualFold(arguments[0], "AUTO"):
		f.auto = true
	default:
		if err := f.setRange(arguments[:1]); err != 0 {
			return err
		}
	}
	m.choose(f)
	m.data = ""
	return 0
}

// full is the end of the range in use.
func (f *function) full() float64 { return f.ranges[f.at] }

// setRange fixes the smallest range that holds the value given.
func (f *function) setRange(arguments []string) code {
	text, err := one(arguments)
	if err != 0 {
		return err
	}
	least, most := f.ranges[0], f.ranges[len(f.ranges)-1]
	value, err := number(text, -most, most, most)
	if err != 0 {
		return err
	}
	if strings.HasPrefix(strings.ToUpper(text), "MIN") {
		value = least
	}
	f.auto, f.at = false, f.holding(math.Abs(value), 1)
	return 0
}

func (f *function) askRange(arguments []string) (string, code) {
	full := f.full()
	if len(arguments) > 0 {
		value, err := number(arguments[0], f.ranges[0], f.ranges[len(f.ranges)-1], full)
		if err != 0 {
			return "", err
		}
		full = value
	}
	return fmt.Sprintf("%+.8E", full), 0
}

func (f *function) setAuto(arguments []string) (string, code) {
	text, err := one(arguments)
	if err != 0 {
		return "", err
	}
	auto, err := truth(text)
	if err == 0 {
		f.auto = auto
	}
	return "", err
}

// holding is the smallest range whose end, stretched by over, holds the value.
func (f *function) holding(value, over float64) int {
	for i, r := range f.ranges {
		if value <= r*over {
			return i
		}
	}
	return len(f.ranges) - 1
}

// follow follows the value: up when it passes the end, down when a lower
// range holds it with some to spare, as meters do to keep from hunting.
func (f *function) follow(value float64) {
	if !f.auto {
		return
	}
	if up := f.holding(value, f.over); up > f.at {
		f.at = up
	}
	for f.at > 0 && value < f.full()/10 {
		f.at--
	}
}

// measure takes one conversion's time, then the value at its end.
func (m *Meter) measure() {
	if m.options.Integration > 0 {
		m.mu.Unlock() // others may put faults in meanwhile
		wait(m.options.Integration)
		m.mu.Lock()
	}
	m.data = fmt.Sprintf("%+.8E", m.sample(m.chosen))
}

// sample is what the meter makes of what stands at its leads.
func (m *Meter) sample(f *function) float64 {
	value, touching := 0.0, false
	if f.value != nil {
		value, touching = f.value()
	}
	if !touching {
		value = f.open
	}
	if math.IsNaN(value) {
		// Open leads of a high-impedance input: a few millivolts that wander.
		m.wander = 0.9*m.wander + 0.001*m.noise.NormFloat64()
		value = m.wander
	}
	value += f.noise * m.noise.NormFloat64()
	f.follow(math.Abs(value))

	if math.IsInf(value, 0) {
		return math.Copysign(9.9e37, value) // open leads on ohms
	}
	step := f.full() / float64(m.options.Counts)
	value += f.gain*value + f.offsetDigits*step + f.offsetRange*f.full()
	if math.Abs(value) > f.full()*f.over {
		// SCPI-1999 answers infinity as 9.9E37; that meters answer an overload so is common practice.
		return math.Copysign(9.9e37, value)
	}
	return math.Round(value/step) * step
}
