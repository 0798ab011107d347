package evidence

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"

	"loomproof/checks/logbook"
	"loomproof/checks/photograph"
	"loomproof/checks/procedure"
)

// A Photograph is one of a worksheet, with the record that it belongs to.
type Photograph struct {
	Record int
	Kind   string // of the record: photograph, or amend
	Text   string // of the amendment that it goes with
	procedure.Photograph
}

// Photographs are those of a worksheet and of its amendments, in order.
func Photographs(records []logbook.Record) (out []Photograph) {
	for _, r := range records {
		switch r.Kind {
		case procedure.KindPhotograph:
			var p procedure.Photograph
			if r.Decode(&p) == nil {
				out = append(out, Photograph{Record: r.Seq, Kind: r.Kind, Photograph: p})
			}
		case logbook.KindAmend:
			if s, _, err := readSigned(r); err == nil && s.Photograph != nil {
				out = append(out, Photograph{r.Seq, r.Kind, s.Text, *s.Photograph})
			}
		}
	}
	return out
}

// photographsFolder is where an exported worksheet has its photographs.
const photographsFolder = "photographs"

var isHash = regexp.MustCompile(`^[0-9a-f]{64}$`)

// file is the name of a photograph in an exported folder, with slashes.
func (p Photograph) file() (string, error) {
	ending, ok := photograph.Endings[p.Type]
	if !ok || !isHash.MatchString(p.Hash) {
		return "", errors.New("what the record says of its photograph cannot be")
	}
	return photographsFolder + "/" + p.Hash + ending, nil
}

// Picture gives a photograph's bytes, which are those that the record names.
func (x Sheet) Picture(p Photograph) ([]byte, error) {
	if x.attached == nil {
		return nil, errors.New("its photograph is missing")
	}
	kept, err := x.attached(p)
	switch {
	case errors.Is(err, logbook.ErrNotFound), errors.Is(err, os.ErrNotExist):
		return nil, fmt.Errorf("its photograph is missing: %.12s…", p.Hash)
	case err != nil:
		return nil, fmt.Errorf("its photograph cannot be read: %w", err)
	case logbook.HashOf(kept) != p.Hash:
		return nil, fmt.Errorf("its photograph was changed: it should be %.12s…", p.Hash)
	}
	return kept, nil
}

// inBook finds photographs in the worksheet's logbook.
func inBook(w *logbook.Worksheet) func(Photograph) ([]byte, error) {
	return func(p Photograph) ([]byte, error) { return w.Attached(p.Hash) }
}

// inFolder finds photographs beside an exported worksheet.
func inFolder(dir string) func(Photograph) ([]byte, error) {
	return func(p Photograph) ([]byte, error) {
		name, err := p.file()
		if err != nil {
			return nil, err
		}
		f, err := os.Open(filepath.Join(dir, filepath.FromSlash(name)))
		if err != nil {
			return nil, err
		}
		defer f.Close()
		return io.ReadAll(io.LimitReader(f, photograph.MostBytes+1))
	}
}

// lookAtPhotographs finds those that are missing or were changed.
func (f *Found) lookAtPhotographs(x Sheet) {
	for _, p := range Photographs(x.Records) {
		f.Photographs++
		if _, err := x.Picture(p); err != nil {
			for _, r := range x.Records {
				if r.Seq == p.Record {
					f.fault(r, err.Error())
					break
				}
			}
		}
	}
}

// photographFiles are the photographs as files of an export. One that is missing
// or was changed is left out: verify says so.
func (x Sheet) photographFiles() (files []exportedFile) {
	for _, p := range Photographs(x.Records) {
		name, err := p.file()
		if err != nil {
			continue
		}
		if _, err := x.Picture(p); err != nil {
			continue
		}
		if slices.ContainsFunc(files, func(f exportedFile) bool { return f.name == name }) {
			continue // the same picture twice is one file
		}
		files = append(files, exportedFile{name: name, photograph: true, write: func(w io.Writer) error {
			kept, err := x.Picture(p)
			if err != nil {
				return err
			}
			_, err = w.Write(kept)
			return err
		}})
	}
	return files
}
