package design

import (
	"encoding"
	"fmt"
	"reflect"
	"sort"
	"strings"

	"go.yaml.in/yaml/v3"
)

// Pos is a place in the design file.
type Pos struct {
	Line   int `key:"-"`
	Column int `key:"-"`
}

// An Error is one mistake in a design file.
type Error struct {
	File string
	Pos
	Text string // what is wrong and what to write instead
}

func (e Error) Error() string { return fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Column, e.Text) }

// Errors are all the mistakes of a design file, in the order of the file.
type Errors []Error

func (e Errors) Error() string {
	lines := make([]string, len(e))
	for i := range e {
		lines[i] = e[i].Error()
	}
	return strings.Join(lines, "\n")
}

// checker collects mistakes.
type checker struct {
	file string
	errs Errors
}

func (c *checker) errorf(at Pos, format string, args ...any) {
	c.errs = append(c.errs, Error{c.file, at, fmt.Sprintf(format, args...)})
}

func (c *checker) sorted() Errors {
	sort.SliceStable(c.errs, func(i, j int) bool {
		a, b := c.errs[i], c.errs[j]
		return a.Line < b.Line || a.Line == b.Line && a.Column < b.Column
	})
	return c.errs
}

func at(n *yaml.Node) Pos { return Pos{max(1, n.Line), max(1, n.Column)} }

// maxNesting stops a file of brackets within brackets.
const maxNesting = 40

// decodeFile reads the text into d by the key tags of its types. Fields that
// are lists of pointers with a Name come from maps, the key being the name.
func decodeFile(c *checker, text []byte, d *Design) {
	var doc yaml.Node
	if err := yaml.Unmarshal(text, &doc); err != nil {
		line, said := 1, strings.TrimPrefix(err.Error(), "yaml: ")
		if n, _ := fmt.Sscanf(said, "line %d:", &line); n == 1 {
			_, said, _ = strings.Cut(said, ": ")
		}
		c.errorf(Pos{max(1, line), 1}, "not YAML: %s; check the indentation and the quotes here and just above", said)
		return
	}
	if len(doc.Content) == 0 {
		c.errorf(Pos{1, 1}, "the file is empty; begin with \"loomproof: 1\"")
		return
	}
	c.decode(doc.Content[0], reflect.ValueOf(d).Elem(), "the design", 0)
}

// field is one key of a struct, as its tag says.
type field struct {
	key      string
	required bool
	index    int
}

func fields(t reflect.Type) []field {
	var out []field
	for i := range t.NumField() {
		tag, ok := t.Field(i).Tag.Lookup("key")
		if !ok || tag == "-" {
			continue
		}
		key, rest, _ := strings.Cut(tag, ",")
		out = append(out, field{key, rest == "required", i})
	}
	return out
}

var textType = reflect.TypeFor[encoding.TextUnmarshaler]()

func (c *checker) decode(n *yaml.Node, into reflect.Value, what string, depth int) {
	if depth > maxNesting {
		c.errorf(at(n), "nested too deep")
		return
	}
	if n.Kind == yaml.AliasNode {
		// Aliases within aliases can stand for more than memory holds.
		c.errorf(at(n), "%s: *%s stands for something above; write it out here", what, n.Value)
		return
	}
	switch {
	case into.Kind() == reflect.Pointer:
		v := reflect.New(into.Type().Elem())
		c.decode(n, v.Elem(), what, depth)
		into.Set(v)
	case into.CanAddr() && into.Addr().Type().Implements(textType):
		c.decodeText(n, into, what)
	case into.Kind() == reflect.Struct:
		c.decodeStruct(n, into, what, depth)
	case into.Kind() == reflect.Slice && named(into.Type().Elem()):
		c.decodeNamed(n, into, what, depth)
	case into.Kind() == reflect.Slice:
		c.decodeList(n, into, what, depth)
	default:
		c.decodeScalar(n, into, what)
	}
}

// named tells a type that is kept in a map by its name.
func named(t reflect.Type) bool {
	if t.Kind() != reflect.Pointer || t.Elem().Kind() != reflect.Struct {
		return false
	}
	f, ok := t.Elem().FieldByName("Name")
	return ok && f.Tag.Get("key") == "-"
}

func (c *checker) decodeText(n *yaml.Node, into reflect.Value, what string) {
	if n.Kind != yaml.ScalarNode {
		c.errorf(at(n), "%s: one value is wanted here, not a %s", what, kindName(n))
		return
	}
	if err := into.Addr().Interface().(encoding.TextUnmarshaler).UnmarshalText([]byte(n.Value)); err != nil {
		c.errorf(at(n), "%s: %v", what, err)
	}
}

func (c *checker) decodeScalar(n *yaml.Node, into reflect.Value, what string) {
	if n.Kind != yaml.ScalarNode {
		c.errorf(at(n), "%s: one value is wanted here, not a %s", what, kindName(n))
		return
	}
	if into.Kind() == reflect.String {
		into.SetString(n.Value)
		return
	}
	if err := n.Decode(into.Addr().Interface()); err != nil {
		want := map[reflect.Kind]string{reflect.Bool: "yes or no (true or false)", reflect.Int: "a whole number", reflect.Float64: "a number"}[into.Kind()]
		switch {
		case into.Kind() == reflect.Bool && n.Value == "yes":
			into.SetBool(true)
		case into.Kind() == reflect.Bool && n.Value == "no":
		default:
			c.errorf(at(n), "%s: %q is not %s", what, n.Value, want)
		}
	}
}

func (c *checker) decodeStruct(n *yaml.Node, into reflect.Value, what string, depth int) {
	if p := into.FieldByName("Pos"); p.IsValid() {
		p.Set(reflect.ValueOf(at(n)))
	}
	if n.Kind != yaml.MappingNode {
		c.errorf(at(n), "%s: %s are wanted here, as \"name: value\" lines", what, keyList(into.Type()))
		return
	}
	seen := map[string]bool{}
	known := fields(into.Type())
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		f, ok := find(known, key.Value)
		switch {
		case !ok:
			meant := nearestKey(key.Value, known)
			c.errorf(at(key), "%s has no %q%s; known: %s", what, key.Value, didYouMean(meant), keyList(into.Type()))
			seen[meant] = true // one mistake, told once
		case seen[key.Value]:
			c.errorf(at(key), "%q stands twice; keep one", key.Value)
		case value.Kind == yaml.ScalarNode && value.Tag == "!!null":
			c.errorf(at(key), "%q has no value; give it one or take the line out", key.Value)
		default:
			c.decode(value, into.Field(f.index), key.Value, depth+1)
		}
		seen[key.Value] = true
	}
	for _, f := range known {
		if f.required && !seen[f.key] {
			c.errorf(at(n), "%s: %q is missing", what, f.key)
		}
	}
}

func (c *checker) decodeNamed(n *yaml.Node, into reflect.Value, what string, depth int) {
	if n.Kind != yaml.MappingNode {
		c.errorf(at(n), "%s: named entries are wanted here, as \"name:\" with its lines below", what)
		return
	}
	seen := map[string]bool{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		if seen[key.Value] {
			c.errorf(at(key), "%s: %q stands twice; give one of them another name", what, key.Value)
			continue
		}
		seen[key.Value] = true
		v := reflect.New(into.Type().Elem().Elem())
		v.Elem().FieldByName("Name").SetString(key.Value)
		if value.Kind != yaml.ScalarNode || value.Tag != "!!null" { // "G1:" alone is enough
			c.decode(value, v.Elem(), fmt.Sprintf("%s %q", strings.TrimSuffix(what, "s"), key.Value), depth+1)
		}
		v.Elem().FieldByName("Pos").Set(reflect.ValueOf(at(key)))
		into.Set(reflect.Append(into, v))
	}
}

func (c *checker) decodeList(n *yaml.Node, into reflect.Value, what string, depth int) {
	if n.Kind != yaml.SequenceNode {
		c.errorf(at(n), "%s: a list is wanted here, each entry after a dash", what)
		return
	}
	for _, item := range n.Content {
		v := reflect.New(into.Type().Elem()).Elem()
		c.decode(item, v, strings.TrimSuffix(what, "s"), depth+1)
		into.Set(reflect.Append(into, v))
	}
}

func find(known []field, key string) (field, bool) {
	for _, f := range known {
		if f.key == key {
			return f, true
		}
	}
	return field{}, false
}

func keyList(t reflect.Type) string {
	var keys []string
	for _, f := range fields(t) {
		keys = append(keys, f.key)
	}
	return strings.Join(keys, ", ")
}

func kindName(n *yaml.Node) string {
	if n.Kind == yaml.SequenceNode {
		return "list"
	}
	return "group of lines"
}

func nearestKey(key string, known []field) string {
	names := make([]string, len(known))
	for i, f := range known {
		names[i] = f.key
	}
	return nearest(key, names)
}

// didYouMean is the hint behind an unknown name; an empty one is none.
func didYouMean(near string) string {
	if near == "" {
		return ""
	}
	return fmt.Sprintf(" (did you mean %q?)", near)
}

// maxNear is the longest name that a misspelling is looked up for.
const maxNear = 60

// nearest is the name that differs in the fewest letters, if that is few.
func nearest(name string, from []string) string {
	if len(name) > maxNear {
		return ""
	}
	best, fewest := "", max(2, len(name)/3)+1
	for _, f := range from {
		if len(f) > maxNear {
			continue
		}
		if d := distance(strings.ToLower(name), strings.ToLower(f)); d < fewest {
			best, fewest = f, d
		}
	}
	return best
}

// distance counts the letters to change, add or drop (Levenshtein).
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
