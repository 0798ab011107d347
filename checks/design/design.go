package design

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"

	"loomproof/checks/units"
	"loomproof/checks/wire"
	"loomproof/probe/layout"
)

// A Design is what should be in the aircraft.
type Design struct {
	Format     int           `key:"loomproof,required" doc:"Version of this file format: 1."`
	Aircraft   Aircraft      `key:"aircraft,required" doc:"Which aircraft this is."`
	Sources    []*Source     `key:"sources,required" doc:"What gives power: batteries, alternators, the bench supply."`
	Buses      []*Bus        `key:"buses,required" doc:"The buses, each a bar that protectors hang on."`
	Grounds    []*Ground     `key:"grounds,required" doc:"Ground points: where returns meet the airframe."`
	Splices    []*Splice     `key:"splices" doc:"Inline splices, where runs meet without a terminal block."`
	Connectors []*Connector  `key:"connectors" doc:"Connectors with mated halves."`
	Feeders    []*Circuit    `key:"feeders" doc:"Main power: from sources to buses, and between buses. Also what hangs on no bus: the starter motor, a locator on its own battery."`
	Circuits   []*Circuit    `key:"circuits,required" doc:"The circuits that hang on the buses."`
	Senders    []*Sender     `key:"senders" doc:"Senders of gauges: what their resistance should be."`
	Coaxes     []*Coax       `key:"coax" doc:"Antenna leads, each with its antenna."`
	Points     []*PointNotes `key:"points" doc:"Notes on terminals: how to reach them with a probe."`

	File     string `key:"-"`
	Revision string `key:"-"` // see Revision
	Text     string `key:"-"` // the file itself

	index *index
}

// Aircraft says which aircraft a design is for.
type Aircraft struct {
	Pos
	Name         string          `key:"name,required" doc:"What the aircraft is called."`
	Registration string          `key:"registration" doc:"Registration marks, if it has any yet."`
	Nominal      units.Volts     `key:"nominal,required" doc:"Nominal system voltage while charging: 14 V or 28 V."`
	Ambient      *units.Celsius  `key:"ambient" doc:"Temperature that design values are worked out for. Default 20 °C."`
	Joint        *units.Ohms     `key:"sound-joint" doc:"The most a sound crimp and its terminal may measure. Default 3 mΩ, less on heavy wire."`
	Insulation   wire.Insulation `key:"wire-rating" doc:"Temperature rating of the wire in °C: 105, 150 or 200. Default 150."`
	Protector    ProtectorTable  `key:"protector-table" doc:"Which table of AC 43.13-1B says how large a protector a wire may have: 11-3 or 11-9. Default 11-3; 11-9 is the stricter."`
	Hottest      *units.Celsius  `key:"hottest" doc:"Hottest air that the bundles lie in, for the estimate of what a wire may carry. Default 70 °C, as table 11-9."`
	Coldest      *units.Celsius  `key:"coldest" doc:"Coldest that the battery must still do its work. Default 0 °C."`
	Ceiling      *units.Metres   `key:"ceiling" doc:"Highest altitude, for the same estimate. Default 60000 ft, as table 11-9."`
	Endurance    units.Seconds   `key:"endurance" doc:"How long the battery must feed the essential loads alone. Default 30 min."`
}

// ProtectorTable names the table by which protectors are held against wires.
type ProtectorTable string

// The tables of AC 43.13-1B; they disagree, and 11-9 is made for harder
// conditions.
const (
	ByChart   ProtectorTable = "11-3"
	ByCurrent ProtectorTable = "11-9"
)

// A Source gives power.
type Source struct {
	Pos
	Name       string            `key:"-"`
	Kind       SourceKind        `key:"kind,required" doc:"battery, alternator or bench supply."`
	Volts      units.Volts       `key:"volts,required" doc:"Open-circuit voltage of a battery; set-point of an alternator or supply. 1 V to 60 V."`
	Resistance units.Ohms        `key:"resistance,required" doc:"Internal resistance, above 0: a battery's, or how far a regulator sags."`
	Limit      units.Amperes     `key:"limit" doc:"Rated output of an alternator; current limit of a supply."`
	Capacity   units.AmpereHours `key:"capacity" doc:"Capacity of a battery at its stated rate."`
	RatedAt    units.Seconds     `key:"rated-at" doc:"Time over which a battery gives its capacity: 1 h for aircraft batteries, often 20 h for others. Default 1 h."`
	Peukert    float64           `key:"peukert" doc:"Peukert exponent of a battery, 1 to 1.6. Default 1.15."`
	Health     units.Fraction    `key:"health" doc:"Part of its capacity that a battery in service still has. Default 80 %, below which it is to be replaced."`
	FiveMinute units.Amperes     `key:"five-minute" doc:"Current that empties a battery in five minutes, from its data sheet."`
	Charge     units.Amperes     `key:"charge" doc:"Largest charging current that a battery takes. Default: as many amperes as it has ampere-hours."`
	Plus       string            `key:"plus" doc:"Terminal its positive side is clipped to, if it has no run of its own."`
	Minus      string            `key:"minus" doc:"Terminal its negative side is clipped to, if it has no run of its own."`
}

// SourceKind says what kind of source it is.
type SourceKind string

// The kinds of source.
const (
	Battery     SourceKind = "battery"
	Alternator  SourceKind = "alternator"
	BenchSupply SourceKind = "bench supply"
)

// A Bus is a bar that protectors hang on.
type Bus struct {
	Pos
	Name  string `key:"-"`
	Title string `key:"title" doc:"What people call it."`
}

// A Ground is a ground point on the airframe.
type Ground struct {
	Pos
	Name   string        `key:"-"`
	Where  string        `key:"where" doc:"Where it is, for the person who looks for it."`
	Bond   *units.Ohms   `key:"bond" doc:"Resistance to the airframe when sound. Default 0.3 mΩ, at most 2.5 mΩ."`
	Ways   int           `key:"ways" doc:"How many terminals it has room for: 4 on one stud, more on a block. Default 4."`
	Rating units.Amperes `key:"rating" doc:"Largest continuous current through it, if its maker states one."`
}

// A Splice joins runs without a terminal block.
type Splice struct {
	Pos
	Name  string `key:"-"`
	Where string `key:"where" doc:"Where it is."`
}

// A Connector is a receptacle and a plug; a contact joins J1.3 to P1.3.
type Connector struct {
	Pos
	Name    string        `key:"-"`
	Plug    string        `key:"plug,required" doc:"Name of the mating half: J1 mates with P1."`
	Pins    int           `key:"pins,required" doc:"Number of contacts, 1 to 200."`
	Rating  units.Amperes `key:"rating" doc:"Continuous rating of one contact."`
	Contact *units.Ohms   `key:"contact" doc:"Usual resistance of one mated contact. Default 3 mΩ."`
	Where   string        `key:"where" doc:"Where it is."`
}

// A Circuit is a protector, a switch, a load and the runs between them. A
// feeder is one without a load.
type Circuit struct {
	Pos
	Name    string   `key:"-"`
	Title   string   `key:"title" doc:"What people call it: VHF radio."`
	Bus     string   `key:"bus" doc:"The bus that its protector hangs on."`
	Breaker *Breaker `key:"breaker" doc:"Its circuit breaker."`
	Fuse    *Breaker `key:"fuse" doc:"Its fuse, where it has that and no breaker."`
	Switch  *Switch  `key:"switch" doc:"Its switch, relay or contactor."`
	Shunt   *Shunt   `key:"shunt" doc:"A current shunt in the circuit."`
	Load    *Load    `key:"load" doc:"What it feeds."`
	Runs    []*Run   `key:"runs" doc:"Its wire runs, from pin to pin."`

	Essential bool   `key:"essential" doc:"Needed to go on flying when the alternator is lost."`
	Shed      bool   `key:"shed" doc:"Can be switched off to save the battery."`
	NoBench   string `key:"not-on-bench" doc:"Why this circuit is left alone while a bench supply feeds the aircraft."`

	Feeder bool `key:"-"`
}

// A Breaker is a protector: a circuit breaker or a fuse.
type Breaker struct {
	Pos
	Rating     units.Amperes `key:"rating,required" doc:"The rating marked on it, 0.5 A to 200 A."`
	Resistance *units.Ohms   `key:"resistance" doc:"Resistance when sound. Default by rating, from a breaker data sheet."`
	Label      string        `key:"label" doc:"What is written beside it, if not the circuit's name."`
}

// A Switch is a switch, relay or contactor in a circuit.
type Switch struct {
	Pos
	Kind       SwitchKind    `key:"kind" doc:"toggle or contactor. Default toggle."`
	Label      string        `key:"label" doc:"What is written on it."`
	Rating     units.Amperes `key:"rating" doc:"Its DC rating."`
	Resistance *units.Ohms   `key:"resistance" doc:"Resistance when closed and sound. Default 5 mΩ, a contactor 0.7 mΩ."`
	Coil       units.Amperes `key:"coil" doc:"What a contactor's own coil draws while closed, taken from its in terminal."`
}

// SwitchKind says what kind of switch it is.
type SwitchKind string

// The kinds of switch.
const (
	Toggle    SwitchKind = "toggle"
	Contactor SwitchKind = "contactor"
)

// A Shunt is a known resistance to read a current by.
type Shunt struct {
	Pos
	Rating units.Amperes `key:"rating,required" doc:"Current at which it drops its rated voltage."`
	Drop   units.Volts   `key:"drop,required" doc:"Rated voltage, usually 50 mV."`
}

// Ohms is the shunt's resistance.
func (s *Shunt) Ohms() float64 { return float64(s.Drop) / float64(s.Rating) }

// A Load is what a circuit feeds.
type Load struct {
	Pos
	Kind         LoadKind       `key:"kind,required" doc:"resistive, constant current, constant power or lamp."`
	Draw         Draw           `key:"draw,required" doc:"Continuous draw at the nominal voltage: 2.5 A or 35 W."`
	Duty         Duty           `key:"duty" doc:"continuous, or intermittent for what only ever runs for moments. Default continuous."`
	Tolerance    units.Fraction `key:"tolerance" doc:"How far a good one may differ from that. Default 10 %."`
	Intermittent *Draw          `key:"intermittent" doc:"Draw while it does its short work, such as transmitting."`
	For          units.Seconds  `key:"intermittent-for" doc:"How long the short work lasts."`
	Share        units.Fraction `key:"intermittent-share" doc:"Part of the time that the short work takes, for what the battery must give. Default 10 %."`
	Inrush       *Draw          `key:"inrush" doc:"Draw at the moment of switching on."`
	InrushFor    units.Seconds  `key:"inrush-for" doc:"How long that lasts. Default 0.1 s for lamps and electronics, 0.5 s for motors."`
	Nature       Nature         `key:"nature" doc:"lamp, motor, inductive, resistive, electronic, audio, strobe or locator. Default by kind; what is resistive or of constant current with an inrush counts as a motor."`
}

// LoadKind says how a load's current follows its voltage.
type LoadKind string

// The kinds of load.
const (
	Resistive       LoadKind = "resistive"
	ConstantCurrent LoadKind = "constant current"
	ConstantPower   LoadKind = "constant power"
	Lamp            LoadKind = "lamp"
)

// Nature says what a load is to its switch and to its neighbours.
type Nature string

// The natures of load. Electronic is what draws a steady current behind its
// own regulator; audio is electronic and hears its ground; a strobe draws in
// pulses; a locator is the emergency transmitter.
const (
	LampNature Nature = "lamp"
	Motor      Nature = "motor"
	Inductive  Nature = "inductive"
	Plain      Nature = "resistive"
	Electronic Nature = "electronic"
	Audio      Nature = "audio"
	Strobe     Nature = "strobe"
	Locator    Nature = "locator"
)

// derived is a load's nature where the design does not say.
func (l *Load) derived() Nature {
	switch {
	case l.Kind == Lamp:
		return LampNature
	case l.Kind == ConstantPower, l.Kind == ConstantCurrent && l.Inrush == nil:
		return Electronic
	case l.Inrush != nil:
		return Motor
	}
	return Plain
}

// Duty says how long a load is on at a time.
type Duty string

// The kinds of duty.
const (
	Continuous   Duty = "continuous"
	Intermittent Duty = "intermittent"
)

// A Draw is a load's demand, in amperes or in watts, at the nominal voltage.
type Draw struct {
	Amperes float64
	Watts   float64
}

// UnmarshalText reads a current or a power: "2.5 A" or "35 W".
func (d *Draw) UnmarshalText(text []byte) error {
	var a units.Amperes
	if a.UnmarshalText(text) == nil {
		*d = Draw{Amperes: float64(a)}
		return nil
	}
	var w units.Watts
	if w.UnmarshalText(text) == nil {
		*d = Draw{Watts: float64(w)}
		return nil
	}
	return fmt.Errorf("%q is neither a current nor a power; write it like 2.5 A or 35 W", text)
}

// At is the draw as a current in amperes at a voltage.
func (d Draw) At(volts float64) float64 {
	if d.Watts > 0 {
		return d.Watts / volts
	}
	return d.Amperes
}

func (d Draw) String() string {
	if d.Watts > 0 {
		return units.Watts(d.Watts).String()
	}
	return units.Amperes(d.Amperes).String()
}

// A Run is one wire from pin to pin.
type Run struct {
	Pos
	Name    string       `key:"name" doc:"Wire number. Default: the circuit's name and a count, radio/1."`
	From    string       `key:"from,required" doc:"Terminal where it begins."`
	To      string       `key:"to,required" doc:"Terminal where it ends."`
	Gauge   wire.Gauge   `key:"gauge,required" doc:"Wire size: 22 AWG, or 0.35 mm²."`
	Length  units.Metres `key:"length,required" doc:"Installed length, 1 cm to 50 m."`
	Bundle  string       `key:"bundle" doc:"The bundle that it runs in."`
	Circuit *Circuit     `key:"-"`
}

// PointNotes says how to reach a terminal.
type PointNotes struct {
	Pos
	Name  string `key:"-"`
	Say   string `key:"say" doc:"Where to put the probe, as a person would say it."`
	Reach Reach  `key:"reach" doc:"easy, undo (something must come off first) or none. Default easy; splices none."`
}

// Reach says what it takes to put a probe on a point.
type Reach string

// How a point is reached.
const (
	Easy     Reach = "easy"
	Undo     Reach = "undo"
	NotAtAll Reach = "none"
)

// Read reads a design file. The error is [Errors] when the file was read but
// is not a sound design.
func Read(path string) (*Design, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("design: %w", err)
	}
	return Parse(filepath.Base(path), text)
}

// Pos is a place in the design file.
type Pos = layout.Pos

// Errors are all the mistakes of a design file, in the order of the file.
type Errors = layout.Errors

// A checker finds what is wrong with a design that could be read.
type checker struct{ *layout.Reader }

// Parse reads a design from its text; file names it in messages.
func Parse(file string, text []byte) (*Design, error) {
	d := &Design{File: file, Text: string(text), Revision: Revision(text)}
	c := &checker{layout.NewReader(file)}
	c.Read(text, d, "the design")
	if c.Errors() == nil {
		c.check(d)
	}
	if errs := c.Errors(); errs != nil {
		return nil, errs
	}
	return d, nil
}

// Revision is how reports name the state of a design file: the first twelve
// hexadecimal digits of its SHA-256.
func Revision(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])[:12]
}

// Circuit finds a circuit or feeder by name; nil if there is none.
func (d *Design) Circuit(name string) *Circuit {
	return d.index.circuits[name]
}

// Source finds a source by name; nil if there is none.
func (d *Design) Source(name string) *Source {
	for _, s := range d.Sources {
		if s.Name == name {
			return s
		}
	}
	return nil
}

// SourceOf finds the first source of a kind; nil if there is none.
func (d *Design) SourceOf(kind SourceKind) *Source {
	for _, s := range d.Sources {
		if s.Kind == kind {
			return s
		}
	}
	return nil
}

// All lists feeders and circuits, feeders first.
func (d *Design) All() []*Circuit {
	return append(append([]*Circuit{}, d.Feeders...), d.Circuits...)
}

// Protector is the circuit's breaker or fuse; nil if it has neither.
func (c *Circuit) Protector() *Breaker {
	if c.Breaker != nil {
		return c.Breaker
	}
	return c.Fuse
}

// Called is what to call a circuit, sender, antenna or terminal by its name when
// speaking to a person; what is none of them keeps its name.
func (d *Design) Called(name string) string {
	if k := d.Circuit(name); k != nil {
		return k.Called()
	}
	for _, s := range d.Senders {
		if s.Name == name {
			return s.Called()
		}
	}
	for _, c := range d.Coaxes {
		if c.Name == name {
			return c.Called()
		}
	}
	if t := d.Terminal(name); t != nil {
		return t.Say
	}
	return name
}

// Called is what to call the circuit when speaking to a person.
func (c *Circuit) Called() string {
	if c.Title != "" {
		return c.Title
	}
	return c.Name
}
