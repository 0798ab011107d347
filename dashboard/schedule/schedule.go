// Package schedule turns a design into what is taken to the bench where the
// looms are made: the wire schedule, a pin-out sheet for each connector, and a
// label for each end of each wire.
//
//	s := schedule.New(d)
//	s.CSV(w)    // a row for each wire, for a spreadsheet
//	s.HTML(w)   // one page that prints on A4 and Letter
//
// A length in the design is the installed length. The cut length is that and
// [Allowance] for each end, rounded up to the next centimetre. The mass is that
// of the wire as cut, without fittings. Which fitting an end takes is guessed
// from what it ends at (see [Fitting]): the maker of the part has the last word.
package schedule

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"loomproof/checks/design"
	"loomproof/checks/units"
	"loomproof/checks/wire"
)

// Allowance is what is added to each end of a wire, in metres: for stripping,
// for the way to the terminal, and for cutting a bad crimp off once. Common
// practice; no published source.
const Allowance = 0.05

// A Schedule is a design's wires as a loom maker needs them.
type Schedule struct {
	Design     *design.Design
	Wires      []Wire // in the order of the design
	Connectors []Connector
}

// A Wire is one run.
type Wire struct {
	Name     string // wire number
	Circuit  string // name of its circuit
	Title    string // what people call that
	From, To End
	Gauge    wire.Gauge
	Length   units.Metres // installed
	Cut      units.Metres // to cut it to
	Mass     units.Kilograms
	Bundle   string // "" for none
}

// An End is one end of a wire.
type End struct {
	Terminal string
	Fitting  Fitting
	Say      string // where it is, as a person would say it
}

// A Fitting is what is crimped to an end.
type Fitting string

// The fittings. Common practice; the design does not say them.
const (
	Ring     Fitting = "ring"              // buses, ground points, breakers, sources, contactors, shunts
	Contact  Fitting = "connector contact" // pin or socket, by the half
	SpliceOn Fitting = "splice"            // butt or parallel, by the wires
	Tab      Fitting = "tab"               // toggle switches
	AsMade   Fitting = "as the unit asks"  // loads
)

// A Connector is both halves of a connector, contact by contact.
type Connector struct {
	Name, Plug, Where string
	Contacts          []ContactRow
	Spare             int // contacts that no wire ends at
}

// A ContactRow is one contact, with the wires that end at it on either side.
type ContactRow struct {
	Number                   int
	ReceptacleSide, PlugSide []Other
}

// An Other is a wire at a contact, and where its other end is.
type Other struct {
	Wire    *Wire
	Far     string // terminal
	Towards string // "to" or "from"
}

// New works the schedule of a design out.
func New(d *design.Design) *Schedule {
	s := &Schedule{Design: d}
	for _, k := range d.All() {
		for _, r := range k.Runs {
			cut := CutLength(r.Length)
			s.Wires = append(s.Wires, Wire{
				Name: r.Name, Circuit: k.Name, Title: k.Called(), From: endOf(d, r.From), To: endOf(d, r.To),
				Gauge: r.Gauge, Length: r.Length, Cut: cut, Mass: units.Kilograms(float64(cut) * r.Gauge.Mass()), Bundle: r.Bundle,
			})
		}
	}
	for _, k := range d.Connectors {
		s.Connectors = append(s.Connectors, s.connector(k))
	}
	return s
}

// CutLength is what to cut a wire of this installed length to.
func CutLength(installed units.Metres) units.Metres {
	const same = 1e-6 // what binary fractions leave over is no centimetre
	return units.Metres(math.Ceil((float64(installed)+2*Allowance)*100-same) / 100)
}

func endOf(d *design.Design, terminal string) End {
	return End{Terminal: terminal, Fitting: fitting(d, terminal), Say: d.Terminal(terminal).Say}
}

func fitting(d *design.Design, terminal string) Fitting {
	circuit, part, _ := strings.Cut(terminal, ".")
	switch k := d.Terminal(terminal).Circuit; {
	case k == nil && slices.ContainsFunc(d.Connectors, func(c *design.Connector) bool { return c.Name == circuit || c.Plug == circuit }):
		return Contact
	case k == nil && slices.ContainsFunc(d.Splices, func(s *design.Splice) bool { return s.Name == terminal }):
		return SpliceOn
	case k == nil:
		return Ring
	case strings.HasPrefix(part, "load"):
		return AsMade
	case strings.HasPrefix(part, "switch") && k.Switch.Kind != design.Contactor:
		return Tab
	}
	return Ring
}

func (s *Schedule) connector(k *design.Connector) Connector {
	out := Connector{Name: k.Name, Plug: k.Plug, Where: k.Where}
	for n := 1; n <= k.Pins; n++ {
		row := ContactRow{n, s.at(fmt.Sprintf("%s.%d", k.Name, n)), s.at(fmt.Sprintf("%s.%d", k.Plug, n))}
		if len(row.ReceptacleSide)+len(row.PlugSide) == 0 {
			out.Spare++
		}
		out.Contacts = append(out.Contacts, row)
	}
	return out
}

// at lists the wires that end at a terminal.
func (s *Schedule) at(terminal string) (out []Other) {
	for i := range s.Wires {
		switch w := &s.Wires[i]; terminal {
		case w.From.Terminal:
			out = append(out, Other{w, w.To.Terminal, "to"})
		case w.To.Terminal:
			out = append(out, Other{w, w.From.Terminal, "from"})
		}
	}
	return out
}

// Spare tells whether no wire ends at the contact on either side.
func (r ContactRow) Spare() bool { return len(r.ReceptacleSide)+len(r.PlugSide) == 0 }

// Label is what the wire's labels say, in one line: the number, then both ends.
func (w Wire) Label() string { return w.Name + ": " + w.From.Terminal + " to " + w.To.Terminal }

// A Bundle is the wires that run together.
type Bundle struct {
	Name  string // "" for wires in none
	Wires []Wire
}

// Bundles groups the wires, by name; those in none come last.
func (s *Schedule) Bundles() []Bundle {
	return group(s.Wires, func(w Wire) string { return w.Bundle })
}

func group(wires []Wire, by func(Wire) string) (out []Bundle) {
	for _, w := range wires {
		i := slices.IndexFunc(out, func(b Bundle) bool { return b.Name == by(w) })
		if i < 0 {
			i, out = len(out), append(out, Bundle{Name: by(w)})
		}
		out[i].Wires = append(out[i].Wires, w)
	}
	slices.SortStableFunc(out, func(a, b Bundle) int {
		switch {
		case a.Name == "":
			return 1
		case b.Name == "":
			return -1
		}
		return strings.Compare(a.Name, b.Name)
	})
	return out
}

// Cut is the sum of the cut lengths.
func (b Bundle) Cut() (sum units.Metres) {
	for _, w := range b.Wires {
		sum += w.Cut
	}
	return sum
}

// Mass is the sum of the masses.
func (b Bundle) Mass() (sum units.Kilograms) {
	for _, w := range b.Wires {
		sum += w.Mass
	}
	return sum
}

// Gauges is how much wire of each size to have: the thinnest first.
func (s *Schedule) Gauges() []Bundle {
	out := group(s.Wires, func(w Wire) string { return w.Gauge.String() })
	slices.SortStableFunc(out, func(a, b Bundle) int {
		return int(math.Copysign(1, a.Wires[0].Gauge.Area()-b.Wires[0].Gauge.Area()))
	})
	return out
}

// All is every wire as one bundle, for the totals.
func (s *Schedule) All() Bundle { return Bundle{Wires: s.Wires} }

// columns of the CSV form. They are interface: new ones come at the end.
var columns = []string{
	"wire", "circuit", "circuit_title", "from", "to", "gauge", "length_m", "cut_length_m", "mass_g", "bundle", "from_fitting", "to_fitting", "label",
}

// CSV writes a row for each wire. A text that a spreadsheet would take for a
// formula has an apostrophe before it.
func (s *Schedule) CSV(w io.Writer) error {
	c := csv.NewWriter(w)
	rows := [][]string{columns}
	for _, x := range s.Wires {
		rows = append(rows, []string{
			plain(x.Name), x.Circuit, plain(x.Title), x.From.Terminal, x.To.Terminal, x.Gauge.String(),
			strconv.FormatFloat(float64(x.Length), 'f', 3, 64), strconv.FormatFloat(float64(x.Cut), 'f', 2, 64),
			strconv.FormatFloat(float64(x.Mass)*1000, 'f', 1, 64), plain(x.Bundle), string(x.From.Fitting), string(x.To.Fitting), plain(x.Label()),
		})
	}
	if err := c.WriteAll(rows); err != nil {
		return fmt.Errorf("wire schedule: %w", err)
	}
	return nil
}

// plain keeps a spreadsheet from taking a text for a formula.
func plain(text string) string {
	if text != "" && strings.ContainsRune("=+-@\t\r", rune(text[0])) {
		return "'" + text
	}
	return text
}
