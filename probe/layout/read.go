// Package layout reads files that people write by hand: YAML, strictly, into Go
// types whose key tags are the layout, and makes a JSON Schema of the same types
// for editors.
//
//	type File struct {
//		Name string `key:"name,required" doc:"What it is called."`
//	}
//	var f File
//	r := layout.NewReader("file.yaml")
//	r.Read(text, &f, "the file")
//	if errs := r.Errors(); errs != nil { ... }
//
// Every mistake is told, each with its line, its column and what to write
// instead: an unknown key with the nearest known one, a key that is missing,
// stands twice or has no value, a value of the wrong shape.
//
// Values that have a text form are read by encoding.TextUnmarshaler; a type
// that can be written in more than one shape is a [Shaped]. Lists of pointers to
// structs with a Name come from maps, the key being the name. A field of type
// [Pos] in a struct is set to where it stands in the file.
package layout

import (
	"encoding"
	"fmt"
	"reflect"
	"sort"
	"strings"

	"go.yaml.in/yaml/v3"
)

// Pos is a place in a file.
type Pos struct {
	Line   int `key:"-"`
	Column int `key:"-"`
}

// An Error is one mistake in a file.
type Error struct {
	File string
	Pos
	Text string // what is wrong and what to write instead
}

func (e Error) Error() string { return fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Column, e.Text) }

// Errors are all the mistakes of a file, in the order of the file.
type Errors []Error

func (e Errors) Error() string {
	lines := make([]string, len(e))
	for i := range e {
		lines[i] = e[i].Error()
	}
	return strings.Join(lines, "\n")
}

// A Shaped value reads itself of what stands in the file, for what can be
// written in more than one shape. What names it in messages; mistakes go to r.
type Shaped interface {
	ReadShape(r *Reader, n *yaml.Node, what string)
}

// A Reader reads one file and collects its mistakes.
type Reader struct {
	file string
	errs Errors
}

// NewReader makes a reader; file names the file in messages.
func NewReader(file string) *Reader { return &Reader{file: file} }

// Errorf adds a mistake.
func (r *Reader) Errorf(at Pos, format string, args ...any) {
	r.errs = append(r.errs, Error{r.file, at, fmt.Sprintf(format, args...)})
}

// Errors are the mistakes so far, in the order of the file; nil without any.
func (r *Reader) Errors() Errors {
	sort.SliceStable(r.errs, func(i, j int) bool {
		a, b := r.errs[i], r.errs[j]
		return a.Line < b.Line || a.Line == b.Line && a.Column < b.Column
	})
	return r.errs
}

// At is where a node stands.
func At(n *yaml.Node) Pos { return Pos{max(1, n.Line), max(1, n.Column)} }

// maxNesting stops a file of brackets within brackets.
const maxNesting = 40

// Read reads a whole file into the struct that into points to; what names it
// in messages, as "the design".
func (r *Reader) Read(text []byte, into any, what string) {
	var doc yaml.Node
	if err := yaml.Unmarshal(text, &doc); err != nil {
		line, said := 1, strings.TrimPrefix(err.Error(), "yaml: ")
		if n, _ := fmt.Sscanf(said, "line %d:", &line); n == 1 {
			_, said, _ = strings.Cut(said, ": ")
		}
		r.Errorf(Pos{max(1, line), 1}, "not YAML: %s; check the indentation and the quotes here and just above", said)
		return
	}
	if len(doc.Content) == 0 {
		keys := fields(reflect.TypeOf(into).Elem())
		r.Errorf(Pos{1, 1}, "the file is empty; begin with \"%s: 1\"", keys[0].key)
		return
	}
	r.Decode(doc.Content[0], into, what)
}

// Decode reads one node into what into points to.
func (r *Reader) Decode(n *yaml.Node, into any, what string) {
	r.decode(n, reflect.ValueOf(into).Elem(), what, 0)
}

// field is one key of a struct, as its tag says.
type field struct {
	key      string
	required bool
	index    []int
}

// fields lists the keys of a struct; those of structs embedded in it are its own.
func fields(t reflect.Type) []field {
	var out []field
	for i := range t.NumField() {
		f := t.Field(i)
		if f.Anonymous && f.Type.Kind() == reflect.Struct {
			for _, inner := range fields(f.Type) {
				inner.index = append([]int{i}, inner.index...)
				out = append(out, inner)
			}
			continue
		}
		tag, ok := f.Tag.Lookup("key")
		if !ok || tag == "-" {
			continue
		}
		key, rest, _ := strings.Cut(tag, ",")
		out = append(out, field{key, rest == "required", []int{i}})
	}
	return out
}

var (
	textType   = reflect.TypeFor[encoding.TextUnmarshaler]()
	shapedType = reflect.TypeFor[Shaped]()
)

func (r *Reader) decode(n *yaml.Node, into reflect.Value, what string, depth int) {
	if depth > maxNesting {
		r.Errorf(At(n), "nested too deep")
		return
	}
	if n.Kind == yaml.AliasNode {
		// Aliases within aliases can stand for more than memory holds.
		r.Errorf(At(n), "%s: *%s stands for something above; write it out here", what, n.Value)
		return
	}
	switch {
	case into.CanAddr() && into.Addr().Type().Implements(shapedType):
		into.Addr().Interface().(Shaped).ReadShape(r, n, what)
	case into.Kind() == reflect.Pointer:
		v := reflect.New(into.Type().Elem())
		r.decode(n, v.Elem(), what, depth)
		into.Set(v)
	case into.CanAddr() && into.Addr().Type().Implements(textType):
		r.decodeText(n, into, what)
	case into.Kind() == reflect.Struct:
		r.decodeStruct(n, into, what, depth)
	case into.Kind() == reflect.Slice && named(into.Type().Elem()):
		r.decodeNamed(n, into, what, depth)
	case into.Kind() == reflect.Slice:
		r.decodeList(n, into, what, depth)
	default:
		r.decodeScalar(n, into, what)
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

func (r *Reader) decodeText(n *yaml.Node, into reflect.Value, what string) {
	if n.Kind != yaml.ScalarNode {
		r.Errorf(At(n), "%s: one value is wanted here, not a %s", what, kindName(n))
		return
	}
	if err := into.Addr().Interface().(encoding.TextUnmarshaler).UnmarshalText([]byte(n.Value)); err != nil {
		r.Errorf(At(n), "%s: %v", what, err)
	}
}

func (r *Reader) decodeScalar(n *yaml.Node, into reflect.Value, what string) {
	if n.Kind != yaml.ScalarNode {
		r.Errorf(At(n), "%s: one value is wanted here, not a %s", what, kindName(n))
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
			r.Errorf(At(n), "%s: %q is not %s", what, n.Value, want)
		}
	}
}

func (r *Reader) decodeStruct(n *yaml.Node, into reflect.Value, what string, depth int) {
	if p := into.FieldByName("Pos"); p.IsValid() {
		p.Set(reflect.ValueOf(At(n)))
	}
	if n.Kind != yaml.MappingNode {
		r.Errorf(At(n), "%s: %s are wanted here, as \"name: value\" lines", what, keyList(into.Type()))
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
			r.Errorf(At(key), "%s has no %q%s; known: %s", what, key.Value, DidYouMean(meant), keyList(into.Type()))
			seen[meant] = true // one mistake, told once
		case seen[key.Value]:
			r.Errorf(At(key), "%q stands twice; keep one", key.Value)
		case value.Kind == yaml.ScalarNode && value.Tag == "!!null":
			r.Errorf(At(key), "%q has no value; give it one or take the line out", key.Value)
		default:
			r.decode(value, into.FieldByIndex(f.index), key.Value, depth+1)
		}
		seen[key.Value] = true
	}
	for _, f := range known {
		if f.required && !seen[f.key] {
			r.Errorf(At(n), "%s: %q is missing", what, f.key)
		}
	}
}

func (r *Reader) decodeNamed(n *yaml.Node, into reflect.Value, what string, depth int) {
	if n.Kind != yaml.MappingNode {
		r.Errorf(At(n), "%s: named entries are wanted here, as \"name:\" with its lines below", what)
		return
	}
	seen := map[string]bool{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		if seen[key.Value] {
			r.Errorf(At(key), "%s: %q stands twice; give one of them another name", what, key.Value)
			continue
		}
		seen[key.Value] = true
		v := reflect.New(into.Type().Elem().Elem())
		v.Elem().FieldByName("Name").SetString(key.Value)
		if value.Kind != yaml.ScalarNode || value.Tag != "!!null" { // "G1:" alone is enough
			r.decode(value, v.Elem(), fmt.Sprintf("%s %q", strings.TrimSuffix(what, "s"), key.Value), depth+1)
		}
		v.Elem().FieldByName("Pos").Set(reflect.ValueOf(At(key)))
		into.Set(reflect.Append(into, v))
	}
}

func (r *Reader) decodeList(n *yaml.Node, into reflect.Value, what string, depth int) {
	if n.Kind != yaml.SequenceNode {
		r.Errorf(At(n), "%s: a list is wanted here, each entry after a dash", what)
		return
	}
	for _, item := range n.Content {
		v := reflect.New(into.Type().Elem()).Elem()
		r.decode(item, v, strings.TrimSuffix(what, "s"), depth+1)
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
	return Nearest(key, names)
}

// DidYouMean is the hint behind an unknown name; an empty one is none.
func DidYouMean(near string) string {
	if near == "" {
		return ""
	}
	return fmt.Sprintf(" (did you mean %q?)", near)
}

// maxNear is the longest name that a misspelling is looked up for.
const maxNear = 60

// Nearest is the name that differs in the fewest letters, if that is few.
func Nearest(name string, from []string) string {
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
