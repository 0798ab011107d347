package layout

import (
	"encoding/json"
	"maps"
	"reflect"
	"strings"
)

// A Schema is a JSON Schema (draft 2020-12), or a part of one.
type Schema = map[string]any

// Shapes are the schemas of types that read themselves; all others follow from
// their key and doc tags.
type Shapes map[reflect.Type]Schema

// Text is the schema of a value that is written as text, with what it looks like.
func Text(example string) Schema {
	return Schema{"type": []string{"string"}, "examples": []string{example}}
}

// File writes a schema as a file of its own.
func File(s Schema, title string) []byte {
	s["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	s["title"] = title
	text, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		panic(err) // maps, slices and strings only
	}
	return append(text, '\n')
}

// Of is the schema of a type.
func (s Shapes) Of(t reflect.Type) Schema {
	if t.Kind() == reflect.Pointer {
		return s.Of(t.Elem())
	}
	if shape, ok := s[t]; ok {
		return maps.Clone(shape)
	}
	switch t.Kind() {
	case reflect.Struct:
		return s.ofStruct(t)
	case reflect.Slice:
		if named(t.Elem()) {
			entry := s.Of(t.Elem())
			if len(entry["required"].([]string)) == 0 {
				entry["type"] = []string{"object", "null"} // "G1:" alone is enough
			}
			return Schema{"type": "object", "additionalProperties": entry, "propertyNames": Schema{"minLength": 1}}
		}
		return Schema{"type": "array", "items": s.Of(t.Elem())}
	case reflect.Bool:
		return Schema{"enum": []any{true, false, "yes", "no"}}
	case reflect.Int:
		return Schema{"type": "integer"}
	case reflect.Float64:
		return Schema{"type": "number"}
	}
	return Schema{"type": "string"}
}

func (s Shapes) ofStruct(t reflect.Type) Schema {
	properties, required := Schema{}, []string{}
	for _, f := range fields(t) {
		p := s.Of(t.FieldByIndex(f.index).Type)
		p["description"] = strings.TrimSpace(t.FieldByIndex(f.index).Tag.Get("doc"))
		properties[f.key] = p
		if f.required {
			required = append(required, f.key)
		}
	}
	return Schema{"type": "object", "properties": properties, "required": required, "additionalProperties": false}
}
