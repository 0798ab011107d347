package sources

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"go.yaml.in/yaml/v3"

	"loomproof/probe"
	"loomproof/probe/layout"
	"loomproof/probe/port"
)

// Format is the version of the source file.
const Format = 1

// A File is the sources that a person has named, in a file and in flags.
type File struct {
	entries []entry
}

// content is the file's layout.
type content struct {
	Format  int     `key:"loomproof-sources,required" doc:"Version of this file format: 1."`
	Sources entries `key:"sources,required" doc:"The sources, by name."`
}

// Read reads a source file. Errors wrap fs.ErrNotExist, or are layout.Errors.
func Read(path string) (*File, error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("source file %s: %w; loomproof new --sources writes one to start from", path, fs.ErrNotExist)
	}
	if err != nil {
		return nil, fmt.Errorf("source file: %w", err)
	}
	return Parse(path, text)
}

// Parse reads a source file from its text; file names it in messages, and what
// it names itself is looked for beside it.
func Parse(file string, text []byte) (*File, error) {
	var c content
	r := layout.NewReader(filepath.Base(file))
	r.Read(text, &c, "the source file")
	if r.Errors() == nil && c.Format != Format {
		r.Errorf(layout.Pos{Line: 1, Column: 1}, "\"loomproof-sources: %d\": this program reads format %d", c.Format, Format)
	}
	return finish(r, filepath.Dir(file), c.Sources)
}

// Add adds a source that a flag describes as one line of a source file does:
//
//	meter: {kind: scpi meter, port: /dev/ttyUSB0, accuracy: {voltage: 0.05 % + 3 digits}}
//
// One of the same name takes the place of the file's.
func (f *File) Add(flag, text string) error {
	var found entries
	r := layout.NewReader(flag)
	var doc yaml.Node
	if err := yaml.Unmarshal([]byte(text), &doc); err != nil || len(doc.Content) == 0 || doc.Content[0].Kind != yaml.MappingNode {
		return fmt.Errorf("%s %q: write it like meter: {kind: scpi meter, port: /dev/ttyUSB0}", flag, text)
	}
	r.Decode(doc.Content[0], &found, "source")
	added, err := finish(r, ".", found)
	if err != nil {
		return err
	}
	for _, e := range added.entries {
		f.put(e)
	}
	return nil
}

func (f *File) put(e entry) {
	for i, have := range f.entries {
		if have.common().Name == e.common().Name {
			f.entries[i] = e
			return
		}
	}
	f.entries = append(f.entries, e)
}

// finish checks what was read, as far as it could be.
func finish(r *layout.Reader, folder string, found entries) (*File, error) {
	if r.Errors() == nil {
		for _, e := range found {
			e.common().folder = folder
			e.common().checkCommon(r)
			e.check(r)
		}
	}
	if errs := r.Errors(); errs != nil {
		return nil, errs
	}
	return &File{found}, nil
}

func (e *Entry) checkCommon(r *layout.Reader) {
	kind, _ := KindNamed(e.Kind)
	switch {
	case kind.NoPort && e.Port != "":
		r.Errorf(e.Pos, "source %q: a %s has no port; take the line out", e.Name, e.Kind)
	case !kind.NoPort && e.Port == "":
		r.Errorf(e.Pos, "source %q: \"port\" is missing: where it is plugged in; loomproof ports lists what there is", e.Name)
	case !kind.NoPort:
		if _, err := port.NewFinder(e.Port); err != nil {
			r.Errorf(e.Pos, "source %q: %v", e.Name, err)
		}
	}
	if strings.TrimSpace(e.Name) == "" || strings.ContainsAny(e.Name, "\n\t/\\") {
		r.Errorf(e.Pos, "%q cannot be a source's name: write a few plain words", e.Name)
	}
	if !e.Due.IsZero() && !e.Calibrated.IsZero() && !e.Due.After(e.Calibrated.Time) {
		r.Errorf(e.Pos, "source %q: due %s is not after calibrated %s", e.Name, e.Due.Format("2006-01-02"), e.Calibrated.Format("2006-01-02"))
	}
}

// entries are read by their kinds.
type entries []entry

// ReadShape finds the kind of each entry and lets its layout read the rest.
func (s *entries) ReadShape(r *layout.Reader, n *yaml.Node, what string) {
	if n.Kind != yaml.MappingNode {
		r.Errorf(layout.At(n), "%s: named entries are wanted here, as \"bench meter:\" with its lines below", what)
		return
	}
	seen := map[string]bool{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		if seen[key.Value] {
			r.Errorf(layout.At(key), "source %q stands twice; give one of them another name", key.Value)
			continue
		}
		seen[key.Value] = true
		if e := one(r, key, value); e != nil {
			*s = append(*s, e)
		}
	}
	if len(*s) == 0 && len(seen) == 0 {
		r.Errorf(layout.At(n), "no sources; name at least one")
	}
}

func one(r *layout.Reader, key, value *yaml.Node) entry {
	var kindNode *yaml.Node
	if value.Kind == yaml.MappingNode {
		for i := 0; i+1 < len(value.Content); i += 2 {
			if value.Content[i].Value == "kind" {
				kindNode = value.Content[i+1]
			}
		}
	}
	if kindNode == nil {
		r.Errorf(layout.At(key), "source %q: \"kind\" is missing; the kinds are: %s", key.Value, kindNames())
		return nil
	}
	kind, err := KindNamed(kindNode.Value)
	if err != nil {
		r.Errorf(layout.At(kindNode), "source %q: %v", key.Value, err)
		return nil
	}
	e := kind.fresh()
	r.Decode(value, e, fmt.Sprintf("source %q", key.Value))
	e.common().Name, e.common().Pos = key.Value, layout.At(key)
	return e
}

func kindNames() string {
	names := make([]string, len(kinds))
	for i, k := range kinds {
		names[i] = k.Name
	}
	return strings.Join(names, ", ")
}

// Sources are the sources of the file, in its order, not yet opened: each a
// *Source, a Supply or a Node. Errors are those of their calibration files.
func (f *File) Sources() ([]probe.Source, error) {
	var out []probe.Source
	for _, e := range f.entries {
		calibrations, err := e.common().calibrations()
		if err != nil {
			return nil, err
		}
		s, err := newSource(e, calibrations)
		if err != nil {
			return nil, err
		}
		out = append(out, capable(s))
	}
	return out, nil
}

// Names lists the sources' names.
func (f *File) Names() []string {
	out := make([]string, len(f.entries))
	for i, e := range f.entries {
		out[i] = e.common().Name
	}
	return out
}

// Of is the kept source behind one that Sources gave; nil for any other.
func Of(s probe.Source) *Source {
	if k, ok := s.(interface{ Kept() *Source }); ok {
		return k.Kept()
	}
	return nil
}
