package modbus

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"loomproof/probe"
	"loomproof/probe/layout"
)

// A Map says what stands in which register of a kind of meter.
type Map struct {
	Maker, Model string
	Address      byte // 1 to 247, as the meter comes; 1 if the map says none
	Channels     []MapChannel
}

// A MapChannel is one value of the meter.
type MapChannel struct {
	Name     string
	Quantity probe.Quantity
	Function byte   // 3 reads holding registers, 4 input registers
	Register uint16 // as sent: counted from 0
	Kind     Kind
	Order    Order

	// The value in the SI unit is the register's × Scale + Offset. The unit's prefix is in both.
	Scale, Offset float64

	Step     float64         // what one step is worth, in the SI unit
	Range    float64         // full scale, in the SI unit; 0 when the map says none
	Accuracy probe.Accuracy  // zero when the map says none
	Overload map[uint32]bool // bits that stand for a value past the range
}

// mapFile is the layout of a map file.
type mapFile struct {
	Format   format          `key:"modbus-map,required" doc:"The format of this file: 1."`
	Maker    string          `key:"maker" doc:"Who makes the meter."`
	Model    string          `key:"model,required" doc:"Which meter it is."`
	Address  address         `key:"address" doc:"Of the meter on the line, as it comes: 1 to 247; 1 if left out."`
	Channels []*channelEntry `key:"channels,required" doc:"Its values, by names of your own."`
}

type channelEntry struct {
	Name string     `key:"-"`
	Pos  layout.Pos `key:"-"`

	Quantity quantity `key:"quantity,required" doc:"What is measured."`
	Unit     string   `key:"unit" doc:"Of scale, offset, step and range, as mV; the quantity's SI unit if left out."`
	Function function `key:"function" doc:"3 reads holding registers, 4 input registers; 3 if left out."`
	Register register `key:"register,required" doc:"The first register, as sent: counted from 0."`
	Kind     Kind     `key:"kind,required" doc:"How the value stands in its registers."`
	Order    Order    `key:"order" doc:"Of the bytes as they come, A being the highest; ABCD if left out."`
	Scale    *factor  `key:"scale" doc:"Value = register × scale + offset; 1 if left out."`
	Offset   float64  `key:"offset" doc:"Value = register × scale + offset; 0 if left out."`
	Step     above    `key:"step" doc:"What the last digit is worth; scale if left out, for whole numbers."`
	Range    above    `key:"range" doc:"Full scale."`
	Accuracy accuracy `key:"accuracy" doc:"The accuracy line of its manual."`
	Overload raws     `key:"overload" doc:"Register values that mean: past the range. One or a list."`
}

// shapes are the schemas of what reads itself.
var shapes = layout.Shapes{
	reflect.TypeFor[format]():   {"const": 1},
	reflect.TypeFor[address]():  {"type": "integer", "minimum": 1, "maximum": 247},
	reflect.TypeFor[quantity](): {"enum": quantities},
	reflect.TypeFor[function](): {"enum": []int{3, 4}},
	reflect.TypeFor[register](): {"type": "integer", "minimum": 0, "maximum": math.MaxUint16},
	reflect.TypeFor[Kind]():     {"enum": kinds},
	reflect.TypeFor[Order]():    {"enum": orders},
	reflect.TypeFor[factor]():   {"type": "number", "not": layout.Schema{"const": 0}},
	reflect.TypeFor[above]():    {"type": "number", "exclusiveMinimum": 0},
	reflect.TypeFor[accuracy](): layout.Text("0.5% + 1 digit"),
	reflect.TypeFor[raws](): {"anyOf": []layout.Schema{
		{"type": "integer", "minimum": 0, "maximum": math.MaxUint32},
		{"type": "array", "items": layout.Schema{"type": "integer", "minimum": 0, "maximum": math.MaxUint32}},
	}},
}

// Schema is a JSON Schema (draft 2020-12) of the map file, for editors.
func Schema() []byte {
	return layout.File(shapes.Of(reflect.TypeFor[mapFile]()), "Loomproof map of a Modbus meter, format 1")
}

// ReadMap reads a map file. File is its name, for messages. The error is
// [layout.Errors]: all mistakes, with their places.
func ReadMap(file string, text []byte) (*Map, error) {
	r := layout.NewReader(file)
	var f mapFile
	r.Read(text, &f, "the map")
	if r.Errors() == nil && len(f.Channels) == 0 {
		r.Errorf(layout.Pos{Line: 1, Column: 1}, "the map has no channels; name one at least")
	}
	if errs := r.Errors(); errs != nil {
		return nil, errs
	}
	m := &Map{Maker: f.Maker, Model: f.Model, Address: cmp.Or(byte(f.Address), 1)}
	for _, e := range f.Channels {
		if e.Kind == "" { // the name alone
			r.Errorf(e.Pos, "channel %q has nothing below it; give quantity, register and kind", e.Name)
			continue
		}
		m.Channels = append(m.Channels, e.channel(r))
	}
	if errs := r.Errors(); errs != nil {
		return nil, errs
	}
	return m, nil
}

// channel is an entry in SI units.
func (e *channelEntry) channel(r *layout.Reader) MapChannel {
	prefix := e.prefix(r)
	scale := 1.0
	if e.Scale != nil {
		scale = float64(*e.Scale)
	}
	step := float64(e.Step)
	if e.Kind != Float32 && step == 0 {
		step = math.Abs(scale)
	}
	c := MapChannel{
		Name: e.Name, Quantity: probe.Quantity(e.Quantity), Function: cmp.Or(byte(e.Function), 3), Register: uint16(e.Register),
		Kind: e.Kind, Order: cmp.Or(e.Order, ABCD), Scale: scale * prefix, Offset: e.Offset * prefix,
		Step: step * prefix, Range: float64(e.Range) * prefix, Accuracy: probe.Accuracy(e.Accuracy), Overload: map[uint32]bool{},
	}
	for _, bits := range e.Overload {
		if e.Kind.registers() == 1 && bits > math.MaxUint16 {
			r.Errorf(e.Pos, "channel %q: overload %#x is more than its one register holds", e.Name, bits)
		}
		c.Overload[bits] = true
	}
	switch {
	case math.IsNaN(e.Offset) || math.Abs(e.Offset) > largest:
		r.Errorf(e.Pos, "channel %q: offset %v is not a number that a meter can mean", e.Name, e.Offset)
	case c.Accuracy.Digits > 0 && c.Step == 0:
		r.Errorf(e.Pos, "channel %q: its accuracy counts digits, but a %s has none; give \"step\", what the last digit of its display is worth", e.Name, e.Kind)
	case c.Accuracy.OfRange > 0 && c.Range == 0:
		r.Errorf(e.Pos, "channel %q: its accuracy is a part of the range; give \"range\"", e.Name)
	}
	return c
}

// prefix is what the unit's prefix stands for.
func (e *channelEntry) prefix(r *layout.Reader) float64 {
	si := probe.Quantity(e.Quantity).Unit()
	text, ok := strings.CutSuffix(strings.Replace(e.Unit, "ohm", "Ω", 1), si)
	factor, known := map[string]float64{"": 1, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6}[text]
	switch {
	case e.Unit == "" || si == "": // the SI unit, or a quantity that was refused
		return 1
	case !ok || !known:
		r.Errorf(e.Pos, "channel %q: unit %q is no unit of %s; write %s, m%[4]s, k%[4]s", e.Name, e.Unit, e.Quantity, si)
		return 1
	}
	return factor
}

// What follows are the values of a map file, each with its range.
type (
	format   int
	address  byte
	quantity probe.Quantity
	function byte
	register uint16
	factor   float64
	above    float64
	accuracy probe.Accuracy
	raws     []uint32
)

var quantities = []quantity{
	quantity(probe.Voltage), quantity(probe.Current), quantity(probe.Resistance), quantity(probe.Temperature), quantity(probe.Frequency),
}

// largest is more than any meter means.
const largest = 1e12

func (f *format) UnmarshalText(text []byte) error {
	if *f = 1; string(text) != "1" {
		return fmt.Errorf("format %q is unknown; this program reads 1", text)
	}
	return nil
}

func (a *address) UnmarshalText(text []byte) error  { return whole(a, text, 1, 247) }
func (f *function) UnmarshalText(text []byte) error { return whole(f, text, 3, 4) }

// UnmarshalText also knows the numbering of manuals that count from 400001 and 300001.
func (g *register) UnmarshalText(text []byte) error {
	if v, err := strconv.ParseInt(string(text), 0, 64); err == nil && (v/100_000 == 3 || v/100_000 == 4) && v%100_000 > 0 {
		return fmt.Errorf("%d looks like the numbering that begins at %d00001; write the number that is sent, from 0: %d, and function 3 or 4", v, v/100_000, v%100_000-1)
	}
	return whole(g, text, 0, math.MaxUint16)
}

func (q *quantity) UnmarshalText(text []byte) error { return oneOf(q, text, quantities) }

// UnmarshalText reads a kind as a map file has it.
func (k *Kind) UnmarshalText(text []byte) error { return oneOf(k, text, kinds) }

// UnmarshalText reads an order as a map file has it.
func (o *Order) UnmarshalText(text []byte) error { return oneOf(o, text, orders) }

func (f *factor) UnmarshalText(text []byte) error {
	v, err := strconv.ParseFloat(string(text), 64)
	if *f = factor(v); err != nil || math.IsNaN(v) || v == 0 || math.Abs(v) > largest {
		return fmt.Errorf("%q is no number other than 0; give what one step of the register is worth", text)
	}
	return nil
}

func (a *above) UnmarshalText(text []byte) error {
	v, err := strconv.ParseFloat(string(text), 64)
	if *a = above(v); err != nil || !(v > 0) || v > largest {
		return fmt.Errorf("%q is no number above 0", text)
	}
	return nil
}

func (a *accuracy) UnmarshalText(text []byte) error {
	line, err := probe.ParseAccuracy(string(text))
	if *a = accuracy(line); err != nil {
		return errors.New(strings.TrimPrefix(err.Error(), "accuracy ")) // the key says that
	}
	return nil
}

// ReadShape reads one value or a list.
func (v *raws) ReadShape(r *layout.Reader, n *yaml.Node, what string) {
	list := []*yaml.Node{n}
	if n.Kind == yaml.SequenceNode {
		list = n.Content
	}
	for _, n := range list {
		var bits uint32
		if err := whole(&bits, []byte(n.Value), 0, math.MaxUint32); n.Kind != yaml.ScalarNode || err != nil {
			r.Errorf(layout.At(n), "%s: %q is not a whole number from 0 to %d", what, n.Value, uint32(math.MaxUint32))
		}
		*v = append(*v, bits)
	}
}

func whole[T ~byte | ~uint16 | ~uint32](into *T, text []byte, low, high int64) error {
	v, err := strconv.ParseInt(string(text), 0, 64)
	if err != nil || v < low || v > high {
		return fmt.Errorf("%q is not a whole number from %d to %d", text, low, high)
	}
	*into = T(v)
	return nil
}

func oneOf[T ~string](into *T, text []byte, known []T) error {
	if *into = T(text); !slices.Contains(known, *into) {
		names := make([]string, len(known))
		for i, k := range known {
			names[i] = string(k)
		}
		return fmt.Errorf("%q is unknown; write one of %s", text, strings.Join(names, ", "))
	}
	return nil
}
