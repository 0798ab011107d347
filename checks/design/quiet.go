package design

import (
	"cmp"
	"fmt"
	"slices"

	"loomproof/checks/thermistor"
	"loomproof/checks/units"
)

// A Sender is a resistance that stands for a temperature, a level or a pressure
// at a gauge; what can be told of it with the power off is its resistance at the
// temperature that it has.
type Sender struct {
	Pos
	Name      string         `key:"-"`
	Title     string         `key:"title" doc:"What people call it: oil temperature sender."`
	Where     string         `key:"where" doc:"Where its wire is reached with a probe: engine gauges, plug pin 4."`
	Ground    string         `key:"ground,required" doc:"Terminal that its other side hangs on: the ground point of what it is screwed into."`
	Table     []*SenderPoint `key:"table" doc:"Its resistance at two or more temperatures, from its data sheet."`
	Curve     *SenderCurve   `key:"steinhart-hart" doc:"Instead of a table: the three coefficients of a thermistor, for ohms and kelvin."`
	Tolerance units.Fraction `key:"tolerance" doc:"How far a good one may differ from its table. Default 5 %."`
}

// A SenderPoint is one row of a sender's table.
type SenderPoint struct {
	Pos
	At         units.Celsius `key:"at,required" doc:"Temperature."`
	Resistance units.Ohms    `key:"resistance,required" doc:"Resistance at it."`
}

// A SenderCurve is 1/T = a + b ln R + c (ln R)³.
type SenderCurve struct {
	Pos
	A float64 `key:"a,required" doc:"First coefficient, about 1e-3."`
	B float64 `key:"b,required" doc:"Second coefficient, about 2e-4."`
	C float64 `key:"c,required" doc:"Third coefficient, about 1e-7."`
}

// Signal is the terminal where the sender's wire arrives.
func (s *Sender) Signal() string { return s.Name + ".signal" }

// Called is what to call the sender when speaking to a person.
func (s *Sender) Called() string {
	if s.Title != "" {
		return s.Title
	}
	return s.Name
}

// At is the resistance in ohms at a temperature in °C: by the curve, or between
// neighbouring rows of the table as a thermistor runs; outside the table the
// nearest two rows go on.
func (s *Sender) At(celsius float64) float64 {
	if c := s.Curve; c != nil {
		return thermistor.SteinhartHart{A: c.A, B: c.B, C: c.C}.Ohms(celsius)
	}
	i := 1
	for i < len(s.Table)-1 && float64(s.Table[i].At) < celsius {
		i++
	}
	point := func(p *SenderPoint) thermistor.Point {
		return thermistor.Point{Celsius: float64(p.At), Ohms: float64(p.Resistance)}
	}
	return thermistor.Between(point(s.Table[i-1]), point(s.Table[i])).Ohms(celsius)
}

// A Coax is an antenna lead with its antenna.
type Coax struct {
	Pos
	Name   string       `key:"-"`
	Title  string       `key:"title" doc:"What people call it: VHF antenna."`
	Unit   string       `key:"unit" doc:"Where its near end is: rear of the VHF radio."`
	Where  string       `key:"where" doc:"Where the antenna is."`
	Length units.Metres `key:"length,required" doc:"Length of the lead, 10 cm to 20 m."`
}

// Centre is the terminal of the centre conductor at the unit.
func (c *Coax) Centre() string { return c.Name + ".centre" }

// Shield is the terminal of the shield at the unit.
func (c *Coax) Shield() string { return c.Name + ".shield" }

// FarCentre is the terminal of the centre conductor at the antenna, unscrewed.
func (c *Coax) FarCentre() string { return c.Name + ".far-centre" }

// FarShield is the terminal of the shield at the antenna, unscrewed.
func (c *Coax) FarShield() string { return c.Name + ".far-shield" }

// Base is the terminal of the antenna's metal base.
func (c *Coax) Base() string { return c.Name + ".base" }

// Called is what to call the antenna when speaking to a person.
func (c *Coax) Called() string {
	if c.Title != "" {
		return c.Title
	}
	return c.Name
}

// nameQuiet gives the terminals of senders and antenna leads their names.
func (c *checker) nameQuiet(d *Design, add func(at Pos, name, say string, reach Reach, circuit *Circuit)) {
	for _, s := range d.Senders {
		c.checkName(s.Pos, s.Name)
		say := "wire of the " + s.Called()
		if s.Where != "" {
			say += ", " + s.Where
		}
		add(s.Pos, s.Signal(), say, Easy, nil)
	}
	for _, x := range d.Coaxes {
		c.checkName(x.Pos, x.Name)
		near, far := x.Called()+" lead", x.Called()+" lead at the antenna"
		if x.Unit != "" {
			near += ", " + x.Unit
		}
		if x.Where != "" {
			far += ", " + x.Where
		}
		add(x.Pos, x.Centre(), near+": centre", Undo, nil)
		add(x.Pos, x.Shield(), near+": shield", Undo, nil)
		add(x.Pos, x.FarCentre(), far+": centre", Undo, nil)
		add(x.Pos, x.FarShield(), far+": shield", Undo, nil)
		add(x.Pos, x.Base(), "base of the "+x.Called(), Easy, nil)
		d.index.join(x.Centre(), x.FarCentre())
		d.index.join(x.Shield(), x.FarShield())
	}
}

// checkQuiet finds what is wrong with senders and antenna leads.
func (c *checker) checkQuiet(d *Design) {
	for _, s := range d.Senders {
		what := fmt.Sprintf("sender %q", s.Name)
		if d.index.terminals[s.Ground] == nil {
			c.unknownTerminal(d, s.Pos, s.Ground, nil)
		}
		if s.Tolerance == 0 {
			s.Tolerance = 0.05
		}
		c.inside(s.Pos, what+": tolerance", float64(s.Tolerance)*100, 0.1, 50, "%")
		switch {
		case s.Curve != nil && len(s.Table) > 0:
			c.Errorf(s.Pos, "%s has a table and steinhart-hart; keep one", what)
		case s.Curve == nil && len(s.Table) < 2:
			c.Errorf(s.Pos, "%s: its table needs two rows or more, each as {at: 20 °C, resistance: 2.5 kΩ}", what)
		case s.Curve != nil:
			c.inside(s.Curve.Pos, what+": its resistance at 25 °C", s.At(25), 0.1, 10e6, "Ω")
		}
		for _, p := range s.Table {
			c.inside(p.Pos, what+": at", float64(p.At), -60, 600, "°C")
			c.inside(p.Pos, what+": resistance", float64(p.Resistance), 0.1, 10e6, "Ω")
		}
		slices.SortFunc(s.Table, func(a, b *SenderPoint) int { return cmp.Compare(a.At, b.At) })
		for i := 1; i < len(s.Table); i++ {
			if s.Table[i].At == s.Table[i-1].At {
				c.Errorf(s.Table[i].Pos, "%s: %v stands twice in its table", what, s.Table[i].At)
			}
		}
	}
	for _, x := range d.Coaxes {
		c.inside(x.Pos, fmt.Sprintf("coax %q: length", x.Name), float64(x.Length), 0.1, 20, "m")
	}
}
