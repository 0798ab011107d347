package evidence

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"time"

	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
)

// A Sheet is a worksheet's records with its number, from a logbook or a file.
type Sheet struct {
	Worksheet int64
	Records   []logbook.Record

	attached func(Photograph) ([]byte, error) // nil without photographs
	folder   string                           // that it was exported to, if it was read from one
}

// Of is the sheet of a worksheet in a logbook.
func Of(w *logbook.Worksheet) Sheet {
	return Sheet{Worksheet: w.ID(), Records: w.Records(), attached: inBook(w)}
}

// exported is the form of a worksheet's file; FORMAT.md describes it.
type exported struct {
	Format    string           `json:"format"`
	Worksheet int64            `json:"worksheet"`
	Records   []exportedRecord `json:"records"`
}

type exportedRecord struct {
	Seq  int    `json:"seq"`
	At   string `json:"at"`
	Kind string `json:"kind"`
	Body string `json:"body"` // as it stands in the logbook: these bytes were hashed
	Hash string `json:"hash"`
}

// Write writes the records as chained.
func (x Sheet) Write(to io.Writer) error {
	out := exported{format, x.Worksheet, make([]exportedRecord, len(x.Records))}
	for i, r := range x.Records {
		out.Records[i] = exportedRecord{r.Seq, r.Stamp, r.Kind, string(r.Body), r.Hash}
	}
	e := json.NewEncoder(to)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	return e.Encode(out)
}

// worksheetFile is the name of the records' file in an exported folder.
const worksheetFile = "worksheet.json"

// maxFile bounds a file of records.
const maxFile = 1 << 30

// ReadFile reads an exported worksheet: its file, or the folder that it is in.
func ReadFile(path string) (Sheet, error) {
	folder := ""
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		folder, path = path, filepath.Join(path, worksheetFile)
	}
	f, err := os.Open(path)
	if err != nil {
		return Sheet{}, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxFile))
	if err != nil {
		return Sheet{}, fmt.Errorf("%s: %w", path, err)
	}
	var in exported
	if err := strictly(text, &in); err != nil {
		return Sheet{}, fmt.Errorf("%s: it is no exported worksheet, or it was damaged: %w", path, err)
	}
	if in.Format != format {
		return Sheet{}, fmt.Errorf("%s: its format is %q, this program reads %q", path, in.Format, format)
	}
	x := Sheet{Worksheet: in.Worksheet, attached: inFolder(filepath.Dir(path)), folder: folder}
	for _, r := range in.Records {
		at, _ := time.Parse(time.RFC3339Nano, r.At) // Verify says so if it is none
		x.Records = append(x.Records, logbook.Record{Seq: r.Seq, At: at, Stamp: r.At, Kind: r.Kind, Body: json.RawMessage(r.Body), Hash: r.Hash})
	}
	return x, nil
}

// Export writes a worksheet into a new folder: the records as chained, the public
// keys that signed them, the photographs, and steps and readings as CSV and JSON.
// It gives the names of the files.
func Export(x Sheet, dir string) ([]string, error) {
	files, err := x.files()
	if err != nil {
		return nil, err
	}
	if err := os.Mkdir(dir, 0o755); err != nil {
		if errors.Is(err, os.ErrExist) {
			return nil, fmt.Errorf("%s is there already; name another folder with --to", dir)
		}
		return nil, err
	}
	var names []string
	for _, file := range files {
		path := filepath.Join(dir, filepath.FromSlash(file.name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return names, err
		}
		f, err := os.Create(path)
		if err != nil {
			return names, err
		}
		names = append(names, f.Name())
		if err := errors.Join(file.write(f), f.Close()); err != nil {
			return names, err
		}
	}
	return names, nil
}

// Zip writes the files of [Export] as one archive, in a folder of the name.
func Zip(w io.Writer, x Sheet, name string) error {
	files, err := x.files()
	if err != nil {
		return err
	}
	z := zip.NewWriter(w)
	for _, file := range files {
		f, err := z.Create(name + "/" + file.name)
		if err != nil {
			return err
		}
		if err := file.write(f); err != nil {
			return err
		}
	}
	return z.Close()
}

// Steps writes the steps of a worksheet as CSV (RFC 4180), SI units throughout.
func (x Sheet) Steps(w io.Writer) error {
	sheet, err := procedure.Fold(x.Records)
	if err != nil {
		return err
	}
	return writeSteps(w, sheet.Steps)
}

// An exportedFile is one file of an export.
type exportedFile struct {
	name       string
	write      func(io.Writer) error
	photograph bool
}

func (x Sheet) files() ([]exportedFile, error) {
	sheet, err := procedure.Fold(x.Records)
	if err != nil {
		return nil, err
	}
	readings := readingsOf(sheet)
	files := []exportedFile{
		{name: worksheetFile, write: x.Write},
		{name: "steps.csv", write: func(w io.Writer) error { return writeSteps(w, sheet.Steps) }},
		{name: "steps.json", write: func(w io.Writer) error { return writeJSON(w, sheet.Steps) }},
		{name: "readings.csv", write: func(w io.Writer) error { return writeReadings(w, readings) }},
		{name: "readings.json", write: func(w io.Writer) error { return writeJSON(w, readings) }},
	}
	for _, r := range x.Records {
		if r.Kind != logbook.KindSign && r.Kind != logbook.KindAmend {
			continue
		}
		_, key, err := readSigned(r)
		if err != nil {
			continue // verify says what is wrong; the record goes along as it is
		}
		files = append(files, exportedFile{name: fmt.Sprintf("key-of-record-%d.pem", r.Seq), write: func(w io.Writer) error { _, err := w.Write(PublicPEM(key)); return err }})
	}
	return append(files, x.photographFiles()...), nil
}

// lookAtCopies holds the files beside the records against what the records say: what
// a person opens is not the chained file but these.
func (f *Found) lookAtCopies(x Sheet) {
	if x.folder == "" {
		return
	}
	files, err := x.files()
	if err != nil {
		f.Notes = append(f.Notes, "the files beside the records were not looked at: the records make no worksheet")
		return
	}
	known := map[string]bool{}
	for _, file := range files {
		known[file.name] = true
		if file.name == worksheetFile || file.photograph {
			continue // looked at by itself
		}
		have, err := os.ReadFile(filepath.Join(x.folder, filepath.FromSlash(file.name)))
		if errors.Is(err, os.ErrNotExist) {
			f.Notes = append(f.Notes, file.name+" is not in the folder")
			continue
		}
		var due bytes.Buffer
		if err = errors.Join(err, file.write(&due)); err != nil {
			f.Faults = append(f.Faults, Fault{What: fmt.Sprintf("%s cannot be looked at: %v", file.name, err)})
			continue
		}
		if !bytes.Equal(have, due.Bytes()) {
			f.Faults = append(f.Faults, Fault{What: file.name + " does not say what the records say: it was changed, or another version of the program wrote it. Go by " + worksheetFile + ", or have it exported anew"})
			continue
		}
		f.Copies = append(f.Copies, file.name)
	}
	_ = filepath.WalkDir(x.folder, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		if name, err := filepath.Rel(x.folder, path); err == nil && !known[filepath.ToSlash(name)] {
			f.Notes = append(f.Notes, filepath.ToSlash(name)+" is none of the worksheet's files: it was not looked at")
		}
		return nil
	})
}

func writeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	return e.Encode(v)
}

// readingsOf lists the readings in the order that they were taken in.
func readingsOf(sheet *procedure.Sheet) []procedure.Captured {
	out := make([]procedure.Captured, 0, len(sheet.Captures))
	for _, c := range sheet.Captures {
		out = append(out, c)
	}
	sort.Slice(out, func(i, j int) bool {
		a, b := out[i], out[j]
		if len(a.ID) != len(b.ID) {
			return len(a.ID) < len(b.ID) // r9 before r10
		}
		return a.ID < b.ID
	})
	return out
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

// maybe is a number that may not be there.
func maybe(v *float64) string {
	if v == nil {
		return ""
	}
	return number(*v)
}

func writeSteps(w io.Writer, steps []procedure.Step) error {
	c := csv.NewWriter(w)
	rows := [][]string{{"id", "circuit", "title", "what", "point", "quantity", "unit", "reading", "uncertainty_k2", "design_value", "low", "high", "rule", "verdict", "probability", "note", "captures", "at"}}
	for _, s := range steps {
		rows = append(rows, []string{
			s.ID, s.Circuit, s.Title, s.What, s.Point, s.Quantity, s.Unit, maybe(s.Reading), maybe(s.Uncertainty), maybe(s.Design), maybe(s.Low), maybe(s.High),
			s.Rule.String(), s.Verdict, maybe(s.Probability), s.Note, fmt.Sprint(s.Captures), s.At.Format(time.RFC3339Nano),
		})
	}
	return c.WriteAll(rows)
}

func writeReadings(w io.Writer, readings []procedure.Captured) error {
	c := csv.NewWriter(w)
	rows := [][]string{{"id", "red", "black", "quantity", "unit", "value", "deviation", "count", "drift", "source", "channel", "range", "digit", "taken_as_is", "at"}}
	for _, r := range readings {
		rows = append(rows, []string{
			r.ID, r.Red, r.Black, string(r.Quantity), r.Quantity.Unit(), number(r.Value), number(r.Deviation), strconv.Itoa(r.Count), number(r.Drift),
			r.Last.Source, r.Last.Channel, number(r.Last.FullScale), number(r.Last.Digit), strconv.FormatBool(r.TakenAsIs), r.At.Format(time.RFC3339Nano),
		})
	}
	return c.WriteAll(rows)
}
