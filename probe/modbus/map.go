package modbus

import (
	_ "embed"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"loomproof/probe"
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

// A MapError is one mistake in a map file.
type MapError struct {
	File         string
	Line, Column int
	Text         string // what is wrong, and what to write instead
}

func (e MapError) Error() string {
	return fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Column, e.Text)
}

// MapErrors are all the mistakes of a map file, in the order of the file.
type MapErrors []MapError

func (e MapErrors) Error() string {
	lines := make([]string, len(e))
	for i := range e {
		lines[i] = e[i].Error()
	}
	return strings.Join(lines, "\n")
}

//go:embed map.schema.json
var schema []byte

// Schema is a JSON Schema (draft 2020-12) of the map file, for editors.
func Schema() []byte { return slices.Clone(schema) }

// ReadMap reads a map file. File is its name, for messages. The error is MapErrors.
func ReadMap(file string, text []byte) (*Map, error) {
	r := &reader{file: file}
	m := &Map{Address: 1}
	r.document(text, m)
	if len(r.errs) > 0 {
		slices.SortStableFunc(r.errs, func(a, b MapError) int {
			if a.Line != b.Line {
				return a.Line - b.Line
			}
			return a.Column - b.Column
		})
		return nil, r.errs
	}
	return m, nil
}

// reader collects mistakes.
type reader struct {
	file string
	errs MapErrors
}

func (r *reader) errorf(n *yaml.Node, format string, args ...any) {
	r.errs = append(r.errs, MapError{r.file, max(1, n.Line), max(1, n.Column), fmt.Sprintf(format, args...)})
}

// A key is one that a group of lines may have.
type key struct {
	name     string
	required bool
	read     func(*yaml.Node)
}

// group reads the keys of a group of lines.
func (r *reader) group(n *yaml.Node, what string, keys []key) {
	names := make([]string, len(keys))
	for i, k := range keys {
		names[i] = k.name
	}
	if n.Kind != yaml.MappingNode {
		r.errorf(n, "%s: lines of \"name: value\" are wanted here: %s", what, strings.Join(names, ", "))
		return
	}
	seen := map[string]bool{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		name, value := n.Content[i], n.Content[i+1]
		at := slices.Index(names, name.Value)
		switch {
		case at < 0:
			r.errorf(name, "%s has no %q; known: %s", what, name.Value, strings.Join(names, ", "))
		case seen[name.Value]:
			r.errorf(name, "%q stands twice; keep one", name.Value)
		case value.Kind == yaml.AliasNode:
			r.errorf(value, "%s: *%s stands for something above; write it out here", name.Value, value.Value)
		case value.Kind == yaml.ScalarNode && value.Tag == "!!null":
			r.errorf(name, "%q has no value; give it one or take the line out", name.Value)
		default:
			keys[at].read(value)
		}
		seen[name.Value] = true
	}
	for _, k := range keys {
		if k.required && !seen[k.name] {
			r.errorf(n, "%s: %q is missing", what, k.name)
		}
	}
}

func (r *reader) document(text []byte, m *Map) {
	var doc yaml.Node
	if err := yaml.Unmarshal(text, &doc); err != nil {
		line, said := 1, strings.TrimPrefix(err.Error(), "yaml: ")
		if n, _ := fmt.Sscanf(said, "line %d:", &line); n == 1 {
			_, said, _ = strings.Cut(said, ": ")
		}
		r.errorf(&yaml.Node{Line: line}, "not YAML: %s; check the indentation and the quotes here and just above", said)
		return
	}
	if len(doc.Content) == 0 {
		r.errorf(&doc, "the file is empty; begin with \"modbus-map: 1\"")
		return
	}
	r.group(doc.Content[0], "the map", []key{
		{"modbus-map", true, func(n *yaml.Node) {
			if n.Value != "1" {
				r.errorf(n, "modbus-map: format %q is unknown; this program reads 1", n.Value)
			}
		}},
		{"maker", false, func(n *yaml.Node) { m.Maker = r.text(n, "maker") }},
		{"model", true, func(n *yaml.Node) { m.Model = r.text(n, "model") }},
		{"address", false, func(n *yaml.Node) { m.Address = byte(r.whole(n, "address", 1, 247)) }},
		{"channels", true, func(n *yaml.Node) { r.channels(n, m) }},
	})
}

func (r *reader) channels(n *yaml.Node, m *Map) {
	if n.Kind != yaml.MappingNode || len(n.Content) == 0 {
		r.errorf(n, "channels: named entries are wanted here, as \"bus voltage:\" with its lines below")
		return
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		name, value := n.Content[i], n.Content[i+1]
		if slices.ContainsFunc(m.Channels, func(c MapChannel) bool { return c.Name == name.Value }) {
			r.errorf(name, "channel %q stands twice; give one of them another name", name.Value)
			continue
		}
		m.Channels = append(m.Channels, r.channel(name.Value, value))
	}
}

func (r *reader) channel(name string, n *yaml.Node) MapChannel {
	c := MapChannel{Name: name, Function: 3, Order: ABCD, Scale: 1, Overload: map[uint32]bool{}}
	what := fmt.Sprintf("channel %q", name)
	unit, unitAt, overloads := "", n, (*yaml.Node)(nil)
	r.group(n, what, []key{
		{"quantity", true, func(n *yaml.Node) {
			c.Quantity = probe.Quantity(r.oneOf(n, "quantity", "voltage", "current", "resistance", "temperature", "frequency"))
		}},
		{"unit", false, func(n *yaml.Node) { unit, unitAt = r.text(n, "unit"), n }},
		{"function", false, func(n *yaml.Node) { c.Function = byte(r.whole(n, "function", 3, 4)) }},
		{"register", true, func(n *yaml.Node) { c.Register = uint16(r.register(n)) }},
		{"kind", true, func(n *yaml.Node) { c.Kind = Kind(r.oneOf(n, "kind", texts(kinds)...)) }},
		{"order", false, func(n *yaml.Node) { c.Order = Order(r.oneOf(n, "order", texts(orders)...)) }},
		{"scale", false, func(n *yaml.Node) {
			if c.Scale = r.number(n, "scale"); c.Scale == 0 {
				r.errorf(n, "scale: 0 would make every value the same; give what one step of the register is worth")
				c.Scale = 1
			}
		}},
		{"offset", false, func(n *yaml.Node) { c.Offset = r.number(n, "offset") }},
		{"step", false, func(n *yaml.Node) { c.Step = r.above(n, "step") }},
		{"range", false, func(n *yaml.Node) { c.Range = r.above(n, "range") }},
		{"accuracy", false, func(n *yaml.Node) {
			var err error
			if c.Accuracy, err = probe.ParseAccuracy(r.text(n, "accuracy")); err != nil {
				r.errorf(n, "%v", err)
			}
		}},
		{"overload", false, func(n *yaml.Node) { overloads = n }},
	})
	if overloads != nil {
		r.overloads(overloads, &c)
	}
	r.toSI(&c, unit, unitAt)
	switch {
	case c.Accuracy.Digits > 0 && c.Step == 0:
		r.errorf(n, "%s: its accuracy counts digits, but a %s has none; give \"step\", what the last digit of its display is worth", what, c.Kind)
	case c.Accuracy.OfRange > 0 && c.Range == 0:
		r.errorf(n, "%s: its accuracy is a part of the range; give \"range\"", what)
	}
	return c
}

// toSI brings scale, offset, step and range from the map's unit to the SI unit.
func (r *reader) toSI(c *MapChannel, unit string, at *yaml.Node) {
	si := c.Quantity.Unit()
	if c.Kind != Float32 && c.Step == 0 {
		c.Step = math.Abs(c.Scale)
	}
	prefix, ok := strings.CutSuffix(strings.Replace(unit, "ohm", "Ω", 1), si)
	factor, known := map[string]float64{"": 1, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6}[prefix]
	switch {
	case unit == "" || si == "": // the SI unit, or a quantity that was refused
		return
	case !ok || !known:
		r.errorf(at, "unit: %q is no unit of %s; write %s, m%[3]s, k%[3]s", unit, c.Quantity, si)
		return
	}
	for _, v := range []*float64{&c.Scale, &c.Offset, &c.Step, &c.Range} {
		*v *= factor
	}
}

// overloads reads the register's values that stand for none.
func (r *reader) overloads(n *yaml.Node, c *MapChannel) {
	list := []*yaml.Node{n}
	if n.Kind == yaml.SequenceNode {
		list = n.Content
	}
	highest := int64(1)<<(16*c.Kind.registers()) - 1
	for _, n := range list {
		c.Overload[uint32(r.whole(n, "overload", 0, highest))] = true
	}
}

// register also knows the numbering of manuals that count from 40001 and 30001.
func (r *reader) register(n *yaml.Node) int64 {
	if v, err := strconv.ParseInt(n.Value, 0, 64); err == nil && (v/100_000 == 3 || v/100_000 == 4) && v%100_000 > 0 {
		r.errorf(n, "register: %d looks like the numbering that begins at %d00001; write the number that is sent, from 0: %d, and function 3 or 4", v, v/100_000, v%100_000-1)
		return 0
	}
	return r.whole(n, "register", 0, math.MaxUint16)
}

func (r *reader) text(n *yaml.Node, what string) string {
	if n.Kind != yaml.ScalarNode {
		r.errorf(n, "%s: one value is wanted here", what)
	}
	return n.Value
}

func (r *reader) whole(n *yaml.Node, what string, low, high int64) int64 {
	v, err := strconv.ParseInt(r.text(n, what), 0, 64)
	if err != nil || v < low || v > high {
		r.errorf(n, "%s: %q is not a whole number from %d to %d", what, n.Value, low, high)
		return low
	}
	return v
}

func (r *reader) number(n *yaml.Node, what string) float64 {
	v, err := strconv.ParseFloat(r.text(n, what), 64)
	if err != nil || math.IsNaN(v) || math.Abs(v) > 1e12 {
		r.errorf(n, "%s: %q is not a number", what, n.Value)
		return 1
	}
	return v
}

func (r *reader) above(n *yaml.Node, what string) float64 {
	v := r.number(n, what)
	if !(v > 0) {
		r.errorf(n, "%s: %q is not above 0", what, n.Value)
		return 1
	}
	return v
}

func (r *reader) oneOf(n *yaml.Node, what string, known ...string) string {
	if text := r.text(n, what); !slices.Contains(known, text) {
		r.errorf(n, "%s: %q is unknown; write one of %s", what, text, strings.Join(known, ", "))
		return ""
	}
	return n.Value
}

func texts[T ~string](all []T) []string {
	out := make([]string, len(all))
	for i, t := range all {
		out[i] = string(t)
	}
	return out
}
