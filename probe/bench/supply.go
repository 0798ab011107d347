package bench

import (
	"fmt"
	"math/rand/v2"
	"time"

	"loomproof/probe"
)

// A SupplyWorld is what an emulated supply feeds.
type SupplyWorld interface {
	// Drive is told each change of the settings: the voltage, the current
	// limit, and whether the output is on.
	Drive(volts, limit float64, on bool)

	// Output says what stands at the terminals and flows out of them now.
	Output() (volts, amperes float64)
}

// SupplyOptions says what kind of supply it is.
type SupplyOptions struct {
	Identity   string     // the answer to *IDN?; empty for an invented one
	Seed       uint64     // of its errors, its noise and its faults
	MaxVolts   float64    // rating; 0 for 32 V
	MaxAmperes float64    // rating; 0 for 10 A
	Accuracy   Accuracies // the line within which its read-back errs; none for a perfect one
	Noise      float64    // standard deviation of the read-back's noise, in V and A
	Decimals   int        // decimals of an answer; 0 for 4

	Conversion time.Duration // how long one read-back takes; 0 for none
}

// A Supply is an emulated programmable supply that speaks SCPI-1999. It starts
// with its output off.
type Supply struct {
	*instrument
	options        SupplyOptions
	world          SupplyWorld
	noise          *rand.Rand
	volts, amperes setting
	on             bool
	stuck          bool
}

// A setting is one of the two knobs, with the read-back of what it sets.
type setting struct {
	set, rating  float64
	gain, offset float64 // the read-back's own errors
}

// NewSupply makes a supply that feeds the world.
func NewSupply(world SupplyWorld, options SupplyOptions) *Supply {
	if options.Identity == "" {
		options.Identity = "REEDBED INSTRUMENTS,BENCH SUPPLY,MS0007,2.1"
	}
	if options.MaxVolts == 0 {
		options.MaxVolts = 32
	}
	if options.MaxAmperes == 0 {
		options.MaxAmperes = 10
	}
	if options.Decimals == 0 {
		options.Decimals = 4
	}
	s := &Supply{options: options, world: world, noise: rand.New(rand.NewPCG(options.Seed, 0x4e02))}
	errors := rand.New(rand.NewPCG(options.Seed, 0xe5))
	s.volts = newSetting(options.MaxVolts, options.Accuracy[probe.Voltage], options.Decimals, errors)
	s.amperes = newSetting(options.MaxAmperes, options.Accuracy[probe.Current], options.Decimals, errors)
	s.instrument = newInstrument(options.Identity, options.Seed, s.restore)
	s.learn()
	return s
}

func newSetting(rating float64, a probe.Accuracy, decimals int, errors *rand.Rand) setting {
	draw := func(limit float64) float64 { return 0.9 * limit * (2*errors.Float64() - 1) }
	step := 1.0
	for range decimals {
		step /= 10
	}
	return setting{rating: rating, gain: draw(a.OfReading), offset: draw(a.Digits*step + a.OfRange*rating)}
}

// restore is *RST: output off, nothing set.
func (s *Supply) restore() {
	s.volts.set, s.amperes.set, s.on = 0, 0, false
	s.drive()
}

// Stick keeps the output as it is whatever is asked, as a welded contact does:
// OUTP? tells the truth.
func (s *Supply) Stick(stuck bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.stuck = stuck
}

func (s *Supply) drive() { s.world.Drive(s.volts.set, s.amperes.set, s.on) }

// learn adds the supply's commands.
func (s *Supply) learn() {
	add := func(pattern string, run func([]string) (string, code)) {
		s.commands = append(s.commands, define(pattern, run))
	}
	for header, knob := range map[string]*setting{"VOLTage": &s.volts, "CURRent": &s.amperes} {
		full := "[SOURce:]" + header + "[:LEVel][:IMMediate][:AMPLitude]"
		add(full, func(a []string) (string, code) { return "", s.setTo(knob, a) })
		add(full+"?", func(a []string) (string, code) { return s.ask(knob, a) })
	}
	add("OUTPut[:STATe]", s.setOutput)
	add("OUTPut[:STATe]?", func([]string) (string, code) { return digit(s.on), 0 })
	add("MEASure[:SCALar]:VOLTage[:DC]?", func([]string) (string, code) {
		s.convert()
		volts, _ := s.world.Output()
		return s.readBack(&s.volts, volts), 0
	})
	add("MEASure[:SCALar]:CURRent[:DC]?", func([]string) (string, code) {
		s.convert()
		_, amperes := s.world.Output()
		return s.readBack(&s.amperes, amperes), 0
	})
}

func (s *Supply) setTo(knob *setting, arguments []string) code {
	text, err := one(arguments)
	if err != 0 {
		return err
	}
	value, err := number(text, 0, knob.rating, 0)
	if err != 0 {
		return err
	}
	knob.set = value
	s.drive()
	return 0
}

func (s *Supply) ask(knob *setting, arguments []string) (string, code) {
	value := knob.set
	if len(arguments) > 0 {
		var err code
		if value, err = number(arguments[0], 0, knob.rating, 0); err != 0 {
			return "", err
		}
	}
	return s.write(value), 0
}

func (s *Supply) setOutput(arguments []string) (string, code) {
	text, err := one(arguments)
	if err != 0 {
		return "", err
	}
	on, err := truth(text)
	if err == 0 && !s.stuck {
		s.on = on
		s.drive()
	}
	return "", err
}

// convert takes one conversion's time.
func (s *Supply) convert() {
	if s.options.Conversion > 0 {
		s.mu.Unlock() // others may put faults in meanwhile
		wait(s.options.Conversion)
		s.mu.Lock()
	}
}

func (s *Supply) readBack(knob *setting, value float64) string {
	return s.write(value*(1+knob.gain) + knob.offset + s.options.Noise*s.noise.NormFloat64())
}

func (s *Supply) write(value float64) string { return fmt.Sprintf("%.*f", s.options.Decimals, value) }
