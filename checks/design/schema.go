package design

import (
	"reflect"

	"loomproof/checks/units"
	"loomproof/checks/wire"
	"loomproof/probe/layout"
)

// Schema is a JSON Schema (draft 2020-12) of the design file, made from the
// types that read it: editors complete and check a design with it. Every key
// has its description with unit and range.
func Schema() []byte {
	return layout.File(shapes.Of(reflect.TypeFor[Design]()), "Loomproof design file, format 1")
}

// shapes shows, for what is written as text, what it looks like.
var shapes = layout.Shapes{
	reflect.TypeFor[units.Volts]():       layout.Text("14 V"),
	reflect.TypeFor[units.Amperes]():     layout.Text("2.5 A"),
	reflect.TypeFor[units.Ohms]():        layout.Text("3 mΩ"),
	reflect.TypeFor[units.Watts]():       layout.Text("35 W"),
	reflect.TypeFor[units.Metres]():      layout.Text("1.8 m"),
	reflect.TypeFor[units.Seconds]():     layout.Text("30 s"),
	reflect.TypeFor[units.AmpereHours](): layout.Text("18 Ah"),
	reflect.TypeFor[units.Kilograms]():   layout.Text("1.2 kg"),
	reflect.TypeFor[units.Celsius]():     layout.Text("20 °C"),
	reflect.TypeFor[units.Fraction]():    layout.Text("10 %"),
	reflect.TypeFor[Draw]():              layout.Text("2.5 A"),
	reflect.TypeFor[wire.Gauge]():        {"type": []string{"string", "integer"}, "examples": []string{"22 AWG"}},
}
