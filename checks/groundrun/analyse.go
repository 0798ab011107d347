package groundrun

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"loomproof/checks/recording"
	"loomproof/checks/verdict"
	"loomproof/checks/wire"
)

// Options are what the recording itself may not say. Zero is not known.
type Options struct {
	Nominal     float64 // system voltage while charging: 14 or 28; 0: by what the bus shows
	PolePairs   float64 // of the alternator's rotor
	Ratio       float64 // alternator's speed over the engine's
	BatteryOhms float64 // internal resistance of the sound battery, from its design

	BatteryAmpereHours float64 // its capacity
}

// A Report is what a recording shows. Values are in SI units.
type Report struct {
	Nominal  float64       `json:"nominal_v"`
	From     float64       `json:"from_s"`
	To       float64       `json:"to_s"`
	Frame    float64       `json:"frame_s"` // length of the stretches that means and ripple are taken over
	Channels []ChannelNote `json:"channels"`
	Parts    []Part        `json:"parts"`
	Loads    []LoadStep    `json:"load_steps"`
	Checks   []Check       `json:"checks"`
	Findings []Finding     `json:"findings"`
	Untold   []string      `json:"could_not_tell"`
	Verdict  verdict.Word  `json:"verdict"`

	// RippleChannel is the channel whose lines were looked at; "" when none is
	// fast enough.
	RippleChannel string `json:"ripple_channel"`

	followed  []Followed
	regulator *Characteristic
}

// A ChannelNote says what of a channel there was.
type ChannelNote struct {
	Name    string          `json:"name"`
	Role    recording.Role  `json:"role"`
	Rate    float64         `json:"rate_hz"`
	Samples int64           `json:"samples"`
	Lost    int64           `json:"lost"`      // samples missing in gaps
	Missing float64         `json:"missing_s"` // time in gaps
	Gaps    []recording.Gap `json:"gaps"`      // the first of them
	AtEnds  int64           `json:"at_ends"`   // samples at the ends of the converter: no readings
}

// A Part is a stretch of the run in one condition.
type Part struct {
	ID           string   `json:"id"`
	Kind         PartKind `json:"kind"`
	From         float64  `json:"from_s"`
	To           float64  `json:"to_s"`
	Name         string   `json:"name"`
	By           string   `json:"by"`               // what told it
	Speed        float64  `json:"speed_hz"`         // engine, revolutions a second; 0: not known
	Line         float64  `json:"ripple_line_hz"`   // strongest line of the ripple; 0: none found
	Electrical   float64  `json:"electrical_hz"`    // of the alternator, by the lines; 0: not found
	ElectricalBy string   `json:"electrical_by"`    // what told which of the lines it is
	Figures      []Figure `json:"figures,omitzero"` // one for each voltage and current

	family *family
}

// PartKind says in which condition.
type PartKind string

// The kinds of part.
const (
	Off         PartKind = "off"
	Cranking    PartKind = "crank"
	Running     PartKind = "running, not charging"
	Idle        PartKind = "idle"
	Steady      PartKind = "steady speed"
	SpeedChange PartKind = "speed change"
	Charging    PartKind = "charging, speed not known"
	ShutDown    PartKind = "shutdown"
	Missing     PartKind = "no samples"
)

// steady says that the alternator works at one speed in the part.
func (k PartKind) steady() bool { return k == Idle || k == Steady || k == Charging }

// A Figure is what a channel shows over a part.
type Figure struct {
	Channel string         `json:"channel"`
	Role    recording.Role `json:"role"`
	Unit    string         `json:"unit"`
	Mean    float64        `json:"mean"`
	U       float64        `json:"uncertainty"` // of Mean, expanded with k = 2
	Noise   float64        `json:"noise"`       // RMS, what no two neighbouring samples share
	Ripple  float64        `json:"ripple_rms"`  // in the band
	Swing   float64        `json:"ripple_pp"`   // median over the frames
	Band    string         `json:"band"`
	Least   float64        `json:"least"`
	Most    float64        `json:"most"`
}

// A LoadStep is a load that went in or out.
type LoadStep struct {
	At       float64 `json:"at_s"`
	Amperes  float64 `json:"amperes"`     // positive: in
	U        float64 `json:"uncertainty"` // expanded, k = 2
	Sag      float64 `json:"sag_v"`       // farthest that the voltage went from where it was: negative is down
	Recovery float64 `json:"recovery_s"`  // until it stays within the band about its new mean; NaN-free: 0 when it never left it
	Shift    float64 `json:"shift_v"`     // new mean less old
	Marker   string  `json:"marker,omitempty"`

	charging bool // the alternator delivered
	creeps   bool // the voltage moved before it
}

// A Check is one figure. Without limits it is told only and its verdict is "".
type Check struct {
	ID          string       `json:"id"`
	Part        string       `json:"part,omitempty"`
	What        string       `json:"what"`
	Channel     string       `json:"channel"`
	Unit        string       `json:"unit"`
	Reading     float64      `json:"reading"`
	Uncertainty float64      `json:"uncertainty"` // expanded, k = 2
	Low         *float64     `json:"low"`
	High        *float64     `json:"high"`
	Rule        string       `json:"rule"`
	Verdict     verdict.Word `json:"verdict"`
	Probability *float64     `json:"probability"` // of conformity
	Decide      string       `json:"decide,omitempty"`
	Note        string       `json:"note,omitempty"`

	Cite wire.Citation `json:"-"` // the rule with its status
}

// OfBattery says that a figure is one of the battery.
func OfBattery(c Check) bool {
	switch c.What {
	case leastOfCrank, batteryResistance, chargeBefore:
		return true
	}
	return false
}

// OfEarth says that a figure is one of the way from the engine to the battery.
func OfEarth(c Check) bool { return c.What == earthResistance }

// What the figures of battery and earth are called.
const (
	leastOfCrank      = "least voltage of the crank"
	batteryResistance = "resistance of the battery"
	chargeBefore      = "charge before the start"
	earthResistance   = "resistance of the main earth"
)

// A Finding is what is wrong or doubtful, in words, with what to try. Sure is
// the probability of the figure behind it being outside its limit.
type Finding struct {
	Fault    Fault    `json:"fault"`
	What     string   `json:"what"`
	Evidence []string `json:"evidence"` // ids of checks
	Sure     float64  `json:"sure"`
	Try      string   `json:"try"`
}

// Fault is the kind of a finding.
type Fault string

// The faults that can be found.
const (
	Rectifier    Fault = "rectifier"       // a diode or a phase
	SetPoint     Fault = "set-point"       // regulator too high or too low
	Hunts        Fault = "hunting"         // regulator
	NotCharging  Fault = "not charging"    // alternator gives nothing
	ShortOutput  Fault = "short of output" // alternator does not carry the loads
	BeltSlips    Fault = "belt slips"
	BatteryWeak  Fault = "battery"
	EarthBad     Fault = "main earth"
	OutputLead   Fault = "output lead"
	OverVoltage  Fault = "over-voltage"
	UnderVoltage Fault = "under-voltage"
	Start        Fault = "start"
	Ripples      Fault = "ripple"
	FieldStays   Fault = "field stays on" // the alternator cannot be switched off
)

// ErrNothing is returned, wrapped, for a recording without a voltage to go by.
var ErrNothing = errors.New("nothing to analyse")

// analysis is one recording at work.
type analysis struct {
	r      recording.Recording
	o      Options
	rep    *Report
	tracks []*track
	by     map[recording.Role]*track
	width  float64
	origin float64
	count  int
	scale  float64 // nominal / 14

	volts, battery, alternator, speed *track // nil where there is none

	gives    []bool    // by frame: the alternator delivers
	turning  []float64 // by frame: what the speed goes by, NaN not known
	byRipple bool      // steady speeds were told by turning
	cranks   []crank
	spectra  *spectra // of the channel that shows the ripple; nil when none does
	restV    float64
}

// Analyse says what a recording shows. The error is of reading it, or wraps
// ErrNothing.
func Analyse(r recording.Recording, o Options) (*Report, error) {
	a := &analysis{r: r, o: o, by: map[recording.Role]*track{}, rep: &Report{
		Channels: []ChannelNote{}, Parts: []Part{}, Loads: []LoadStep{}, Checks: []Check{}, Findings: []Finding{}, Untold: []string{},
	}}
	for _, do := range []func() error{
		a.load, a.judgeNominal, a.deliver, a.findCranks, a.findSpeed, a.findParts, a.describe,
		a.checkCranks, a.findLoads, a.checkRegulator, a.checkHunting, a.checkCharge, a.checkRipple, a.checkBelt, a.checkOutput, a.checkEarth, a.checkAudio, a.checkField, a.checkCharged, a.checkTransients,
	} {
		if err := do(); err != nil {
			return nil, err
		}
	}
	a.follow()
	a.conclude()
	return a.rep, nil
}

// load reads every channel with a role into frames.
func (a *analysis) load() error {
	from, to, slowest := math.Inf(1), math.Inf(-1), math.Inf(1)
	var roles []int
	for i, c := range a.r.Channels() {
		f, t := a.r.Span(i)
		if f == t {
			continue
		}
		if c.Role == "" {
			a.untold("Channel %s has no role, so it is not used; say what it is of.", c.Name)
			continue
		}
		roles = append(roles, i)
		from, to = math.Min(from, f), math.Max(to, t)
		if c.Rate > 0 && (c.Quantity.Unit() == "V" || c.Quantity.Unit() == "A") {
			slowest = math.Min(slowest, c.Rate)
		}
	}
	if len(roles) == 0 {
		return fmt.Errorf("%w: no channel has both samples and a role; give at least one the role %q", ErrNothing, recording.BusVolts)
	}
	a.origin = from
	a.width = frameWidth(to-from, slowest)
	a.count = int(math.Ceil((to - from) / a.width))
	for _, i := range roles {
		t, err := reduce(a.r, i, a.origin, a.width, a.count)
		if err != nil {
			return err
		}
		a.tracks = append(a.tracks, t)
		if old := a.by[t.ch.Role]; old == nil || t.rate > old.rate {
			a.by[t.ch.Role] = t
		}
		a.rep.Channels = append(a.rep.Channels, ChannelNote{
			Name: t.ch.Name, Role: t.ch.Role, Rate: t.rate, Samples: t.samples, Lost: t.lost, Missing: t.missing, Gaps: append([]recording.Gap{}, t.gaps...), AtEnds: t.ends,
		})
	}
	a.rep.From, a.rep.To, a.rep.Frame = from, to, a.width
	a.volts = a.first(recording.BusVolts, recording.BatteryVolts, recording.AlternatorVolts)
	a.battery, a.alternator, a.speed = a.by[recording.BatteryCurrent], a.by[recording.AlternatorCurrent], a.by[recording.EngineSpeed]
	if a.volts == nil {
		return fmt.Errorf("%w: no channel has the role %q, %q or %q", ErrNothing, recording.BusVolts, recording.BatteryVolts, recording.AlternatorVolts)
	}
	return nil
}

// first is the first role of a list that was recorded.
func (a *analysis) first(roles ...recording.Role) *track {
	for _, r := range roles {
		if t := a.by[r]; t != nil {
			return t
		}
	}
	return nil
}

// judgeNominal finds the system voltage.
func (a *analysis) judgeNominal() error {
	n := a.o.Nominal
	if n == 0 {
		n = 14
		var means []float64
		for i := range a.count {
			means = append(means, a.volts.mean(i))
		}
		if median(finite(means)) > 19 {
			n = 28
		}
	}
	if n != 14 && n != 28 {
		return fmt.Errorf("nominal voltage %g V: the limits are known for 14 V and 28 V", n)
	}
	a.rep.Nominal, a.scale = n, n/14
	return nil
}

func (a *analysis) untold(format string, args ...any) {
	if s := fmt.Sprintf(format, args...); !slices.Contains(a.rep.Untold, s) {
		a.rep.Untold = append(a.rep.Untold, s)
	}
}

// u is the standard uncertainty of a mean on a track: what the accuracy gives,
// which all samples share, and what scatters.
func (t *track) u(mean, spread float64, frames int) float64 {
	u := t.ch.Uncertainty(mean)
	if frames > 1 {
		u = math.Hypot(u, spread/math.Sqrt(float64(frames)))
	}
	return u
}

// check judges a reading of standard uncertainty u. One that is no number is
// told as such and judged by nobody.
func (a *analysis) check(c Check, u float64, l verdict.Limit) *Check {
	if bad := c.Reading + u; math.IsNaN(bad) || math.IsInf(bad, 0) {
		a.untold("%s %s: too few samples.", strings.ToUpper(c.What[:1])+c.What[1:], c.Part)
		return &c
	}
	c.Uncertainty = 2 * u
	if l.Low != nil {
		c.Low = &l.Low.At
	}
	if l.High != nil {
		c.High = &l.High.At
	}
	if b := l.Governing(c.Reading); b != nil {
		c.Cite, c.Rule = b.Rule, b.Rule.String()
		v := verdict.Judge(c.Reading, u, l)
		c.Verdict, c.Probability = v.Word, &v.Probability
		if v.Word == verdict.Undecided && c.Decide == "" {
			c.Decide = verdict.WhatDecides(c.Reading, u, l, c.Unit)
		}
	}
	if c.ID == "" {
		c.ID = strings.ReplaceAll(c.What, " ", "-")
	}
	if c.Part != "" {
		c.ID += "/" + c.Part
	}
	a.rep.Checks = append(a.rep.Checks, c)
	return &a.rep.Checks[len(a.rep.Checks)-1]
}

// tell adds a figure without a limit.
func (a *analysis) tell(c Check, u float64) { a.check(c, u, verdict.Limit{}) }

// find adds a finding on the strength of a check that failed.
func (a *analysis) find(f Finding, evidence ...*Check) {
	for _, c := range evidence {
		f.Evidence = append(f.Evidence, c.ID)
		if c.Probability != nil {
			f.Sure = math.Max(f.Sure, 1-*c.Probability)
		}
	}
	a.rep.Findings = append(a.rep.Findings, f)
}

// conclude tells what is missing and takes the verdicts together.
func (a *analysis) conclude() {
	for _, n := range a.rep.Channels {
		if n.Lost > 0 {
			a.untold("Channel %s: %d samples (%.3g s) are missing; what happened there is not known, and nothing was filled in.", n.Name, n.Lost, n.Missing)
		}
		if n.AtEnds > 0 {
			a.untold("Channel %s: %d samples stand at the end of the converter's range; the true values lie beyond. Record with a wider range.", n.Name, n.AtEnds)
		}
	}
	words := []verdict.Word{verdict.NotDone}
	if slices.ContainsFunc(a.rep.Parts, func(p Part) bool { return p.Kind.steady() }) {
		words = words[:0] // a run without a steady speed is not done
	}
	for _, c := range a.rep.Checks {
		if c.Verdict != "" {
			words = append(words, c.Verdict)
		}
	}
	a.rep.Verdict = verdict.Worst(words...)
}

// practice marks a limit that has no published source.
func practice(text string) wire.Citation {
	return wire.Citation{Text: text, Status: wire.CommonPractice}
}
