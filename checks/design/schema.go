package design

import (
	"encoding/json"
	"reflect"
	"strings"

	"loomproof/checks/units"
	"loomproof/checks/wire"
)

// Schema is a JSON Schema (draft 2020-12) of the design file, made from the
// types that read it: editors complete and check a design with it. Every key
// has its description with unit and range.
func Schema() []byte {
	s := schemaOf(reflect.TypeFor[Design]())
	s["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	s["title"] = "Loomproof design file, format 1"
	text, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		panic(err) // maps, slices and strings only
	}
	return append(text, '\n')
}

type schema = map[string]any

// examples shows, for what is written as text, what it looks like.
var examples = map[reflect.Type]string{
	reflect.TypeFor[units.Volts]():       "14 V",
	reflect.TypeFor[units.Amperes]():     "2.5 A",
	reflect.TypeFor[units.Ohms]():        "3 mΩ",
	reflect.TypeFor[units.Watts]():       "35 W",
	reflect.TypeFor[units.Metres]():      "1.8 m",
	reflect.TypeFor[units.Seconds]():     "30 s",
	reflect.TypeFor[units.AmpereHours](): "18 Ah",
	reflect.TypeFor[units.Kilograms]():   "1.2 kg",
	reflect.TypeFor[units.Celsius]():     "20 °C",
	reflect.TypeFor[units.Fraction]():    "10 %",
	reflect.TypeFor[Draw]():              "2.5 A",
	reflect.TypeFor[wire.Gauge]():        "22 AWG",
}

func schemaOf(t reflect.Type) schema {
	if t.Kind() == reflect.Pointer {
		return schemaOf(t.Elem())
	}
	if example, ok := examples[t]; ok {
		kinds := []string{"string"}
		if t == reflect.TypeFor[wire.Gauge]() {
			kinds = append(kinds, "integer") // 22 alone is an AWG size
		}
		return schema{"type": kinds, "examples": []string{example}}
	}
	switch t.Kind() {
	case reflect.Struct:
		return structSchema(t)
	case reflect.Slice:
		if named(t.Elem()) {
			entry := schemaOf(t.Elem())
			if len(entry["required"].([]string)) == 0 {
				entry["type"] = []string{"object", "null"} // "G1:" alone is enough
			}
			return schema{"type": "object", "additionalProperties": entry, "propertyNames": schema{"minLength": 1}}
		}
		return schema{"type": "array", "items": schemaOf(t.Elem())}
	case reflect.Bool:
		return schema{"enum": []any{true, false, "yes", "no"}}
	case reflect.Int:
		return schema{"type": "integer"}
	case reflect.Float64:
		return schema{"type": "number"}
	}
	return schema{"type": "string"}
}

func structSchema(t reflect.Type) schema {
	properties, required := schema{}, []string{}
	for _, f := range fields(t) {
		p := schemaOf(t.Field(f.index).Type)
		p["description"] = strings.TrimSpace(t.Field(f.index).Tag.Get("doc"))
		properties[f.key] = p
		if f.required {
			required = append(required, f.key)
		}
	}
	return schema{"type": "object", "properties": properties, "required": required, "additionalProperties": false}
}
