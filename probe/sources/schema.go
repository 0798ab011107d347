package sources

import (
	"reflect"

	"loomproof/probe"
	"loomproof/probe/layout"
	"loomproof/probe/port"
)

// Schema is a JSON Schema of the source file, made from the types that read it:
// each kind with its own keys.
func Schema() []byte {
	accuracy := layout.Text("0.05 % + 3 digits")
	shapes := layout.Shapes{
		reflect.TypeFor[port.Mode]():      layout.Text("9600 8N1"),
		reflect.TypeFor[Date]():           layout.Text("2026-11-25"),
		reflect.TypeFor[Duration]():       layout.Text("3 s"),
		reflect.TypeFor[LineEnd]():        layout.Text("CR LF"),
		reflect.TypeFor[accuracyLine]():   accuracy,
		reflect.TypeFor[amount]():         {"type": []string{"number", "string"}, "examples": []any{40, "40 V"}},
		reflect.TypeFor[Levels]():         {"type": "object", "additionalProperties": layout.Text("20 µV")},
		reflect.TypeFor[probe.Quantity](): {"enum": []string{"voltage", "current", "resistance", "temperature", "frequency"}},
		reflect.TypeFor[Accuracies](): {"type": "object", "additionalProperties": layout.Schema{
			"anyOf": []any{accuracy, layout.Schema{"type": "object", "additionalProperties": accuracy}},
		}},
	}
	var each []any
	for _, k := range kinds {
		s := shapes.Of(reflect.TypeOf(k.fresh()))
		s["title"] = k.Name + ": " + k.About
		s["properties"].(layout.Schema)["kind"] = layout.Schema{"const": k.Name, "description": "What it is."}
		if !k.NoPort {
			s["required"] = append(s["required"].([]string), "port")
		}
		each = append(each, s)
	}
	shapes[reflect.TypeFor[entries]()] = layout.Schema{"type": "object", "minProperties": 1, "additionalProperties": layout.Schema{"oneOf": each}}
	return layout.File(shapes.Of(reflect.TypeFor[content]()), "Loomproof source file, format 1")
}
