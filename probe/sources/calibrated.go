package sources

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"loomproof/probe"
	"loomproof/probe/layout"
)

// A CalibrationFile keeps the calibrations of one instrument, all that were ever
// made: the newest of each channel and range counts.
type CalibrationFile struct {
	Format  int    `key:"loomproof-calibrations,required" yaml:"loomproof-calibrations" doc:"Version of this file format: 1."`
	Source  string `key:"source,required" yaml:"source" doc:"Name of the source."`
	Maker   string `key:"maker" yaml:"maker,omitempty" doc:"As the instrument itself says."`
	Model   string `key:"model" yaml:"model,omitempty" doc:"As the instrument itself says."`
	Serial  string `key:"serial" yaml:"serial,omitempty" doc:"As the instrument itself says."`
	Records []Kept `key:"calibrations,required" yaml:"calibrations" doc:"The calibrations, the oldest first."`
}

// A Kept is one calibration as it is kept. Values are in SI units, uncertainties
// standard ones (k = 1).
type Kept struct {
	Channel     string  `key:"channel,required" yaml:"channel" doc:"Channel."`
	Date        Date    `key:"date,required" yaml:"date" doc:"When."`
	Due         *Date   `key:"due" yaml:"due,omitempty" doc:"When it is to be made again."`
	Reference   string  `key:"reference,required" yaml:"reference" doc:"What it was compared with."`
	Certificate string  `key:"certificate" yaml:"certificate,omitempty" doc:"Certificate of the reference."`
	By          string  `key:"by" yaml:"by,omitempty" doc:"Who made it."`
	FullScale   float64 `key:"full-scale" yaml:"full-scale,omitempty" doc:"The range it was made on; without it all."`
	Gain        float64 `key:"gain,required" yaml:"gain" doc:"True value = gain × reading + offset."`
	GainU       float64 `key:"gain-uncertainty,required" yaml:"gain-uncertainty" doc:"Standard uncertainty of the gain."`
	Offset      float64 `key:"offset,required" yaml:"offset" doc:"In the channel's SI unit."`
	OffsetU     float64 `key:"offset-uncertainty,required" yaml:"offset-uncertainty" doc:"Standard uncertainty of the offset."`
	Correlation float64 `key:"correlation" yaml:"correlation" doc:"Of gain and offset."`
	Residual    float64 `key:"residual" yaml:"residual" doc:"Standard deviation of the points about the line."`
	Points      []Point `key:"points,required" yaml:"points" doc:"What was read beside the reference."`
}

// A Point is one comparison, in the channel's SI unit.
type Point struct {
	Reading    float64 `key:"reading,required" yaml:"reading" doc:"Mean of the readings."`
	ReadingU   float64 `key:"reading-uncertainty" yaml:"reading-uncertainty" doc:"Standard uncertainty of that mean from scatter and resolution."`
	Count      int     `key:"count" yaml:"count" doc:"How many readings."`
	Reference  float64 `key:"reference,required" yaml:"reference" doc:"What the reference said."`
	ReferenceU float64 `key:"reference-uncertainty,required" yaml:"reference-uncertainty" doc:"Standard uncertainty of that."`
}

// calibrations are those that count, in the entry's own file; none without one.
func (e *Entry) calibrations() ([]probe.Calibration, error) {
	if e.Calibration == "" {
		return nil, nil
	}
	path := e.CalibrationPath()
	f, err := ReadCalibrations(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("source %q: calibration file %s: %w; make it with loomproof calibrate, or take the line calibration out", e.Name, path, fs.ErrNotExist)
	}
	if err != nil {
		return nil, err
	}
	return f.inForce(e.Drift), nil
}

// CalibrationPath is the file that the source's calibrations are kept in: the one
// that the entry names, else one beside the source file named after the source.
func (e *Entry) CalibrationPath() string {
	if filepath.IsAbs(e.Calibration) {
		return e.Calibration
	}
	name := e.Calibration
	if name == "" {
		name = strings.ReplaceAll(e.Name, " ", "-") + ".calibration.yaml"
	}
	return filepath.Join(e.folder, name)
}

// CalibrationPath is the file that the source's calibrations are kept in; named
// is false if the source file does not name it, so that it is not used yet.
func (s *Source) CalibrationPath() (path string, named bool) {
	e := s.entry.common()
	return e.CalibrationPath(), e.Calibration != ""
}

// ReadCalibrations reads a calibration file.
func ReadCalibrations(path string) (*CalibrationFile, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("calibration file: %w", err)
	}
	var f CalibrationFile
	r := layout.NewReader(filepath.Base(path))
	r.Read(text, &f, "the calibration file")
	if r.Errors() == nil {
		f.check(r)
	}
	if errs := r.Errors(); errs != nil {
		return nil, errs
	}
	return &f, nil
}

func (f *CalibrationFile) check(r *layout.Reader) {
	top := layout.Pos{Line: 1, Column: 1}
	if f.Format != 1 {
		r.Errorf(top, "\"loomproof-calibrations: %d\": this program reads format 1", f.Format)
	}
	for i, k := range f.Records {
		switch {
		case !(k.Gain > 0) || k.GainU < 0 || k.OffsetU < 0 || k.Residual < 0 || !(k.Correlation >= -1 && k.Correlation <= 1):
			r.Errorf(top, "calibration %d (%s): gain, uncertainties or correlation are outside what is possible", i+1, k.Channel)
		case len(k.Points) < 2:
			r.Errorf(top, "calibration %d (%s): fewer than two points", i+1, k.Channel)
		}
	}
}

// defaultDrift is what a source may drift in a year after its calibration (common
// practice, no published source).
var defaultDrift = probe.Accuracy{OfReading: 0.002, Digits: 1}

// after is what may drift after a calibration of a channel.
func (a Accuracies) after(channel string) probe.Accuracy {
	if d := a.of(channel); d != nil {
		return d.Other
	}
	return defaultDrift
}

// Drift is what the source may drift on a channel after its calibration, as the
// file says or as is usual.
func (s *Source) Drift(channel string) probe.Accuracy { return s.entry.common().Drift.after(channel) }

// inForce is the newest calibration of each channel and range.
func (f *CalibrationFile) inForce(drift Accuracies) []probe.Calibration {
	type place struct {
		channel string
		full    float64
	}
	newest, order := map[place]Kept{}, []place(nil)
	for _, k := range f.Records {
		p := place{k.Channel, k.FullScale}
		had, ok := newest[p]
		if !ok {
			order = append(order, p)
		}
		if !ok || !k.Date.Before(had.Date.Time) {
			newest[p] = k
		}
	}
	var out []probe.Calibration
	for _, p := range order {
		c := newest[p].Calibration()
		c.Drift = drift.after(p.channel)
		out = append(out, c)
	}
	return out
}

// Calibration is what a kept calibration does to readings.
func (k Kept) Calibration() probe.Calibration {
	c := probe.Calibration{
		Channel: k.Channel, Gain: k.Gain, Offset: k.Offset, GainU: k.GainU, OffsetU: k.OffsetU, Correlation: k.Correlation,
		Residual: k.Residual, FullScale: k.FullScale, Date: k.Date.Time, Reference: k.Reference, Certificate: k.Certificate,
	}
	if k.Due != nil {
		c.Due = k.Due.Time
	}
	c.Low, c.High = k.Points[0].Reading, k.Points[0].Reading
	for _, p := range k.Points {
		c.Low, c.High = min(c.Low, p.Reading), max(c.High, p.Reading)
	}
	return c
}

// Keep adds a calibration to a file, which is made if it is not there. Nothing
// that was kept before is lost: the file is written whole beside the old one, and
// then takes its place.
func Keep(path string, id probe.Identity, k Kept) error {
	f, err := ReadCalibrations(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		f = &CalibrationFile{Format: 1, Source: id.Name, Maker: id.Maker, Model: id.Model, Serial: id.Serial}
	case err != nil:
		return err
	case f.Maker != id.Maker || f.Model != id.Model || f.Serial != id.Serial:
		return fmt.Errorf("calibration file %s is for another instrument: %s, %s, %s; name another file in the source file", path, f.Maker, f.Model, f.Serial)
	}
	f.Records = append(f.Records, k)
	var text bytes.Buffer
	fmt.Fprintf(&text, "# Calibrations of %q, written by loomproof calibrate; the newest of each channel counts.\n# Values in SI units; uncertainties are standard ones (k = 1).\n", f.Source)
	e := yaml.NewEncoder(&text)
	e.SetIndent(2)
	if err := errors.Join(e.Encode(f), e.Close()); err != nil {
		return fmt.Errorf("calibration file: %w", err)
	}
	aside := path + ".new"
	if err := os.WriteFile(aside, text.Bytes(), 0o644); err != nil {
		return fmt.Errorf("calibration file: %w", err)
	}
	if err := os.Rename(aside, path); err != nil {
		return fmt.Errorf("calibration file: %w", err)
	}
	return nil
}

// Today is the day of an instant, where the person is.
func Today(now time.Time) Date {
	y, m, d := now.Date()
	return Date{time.Date(y, m, d, 0, 0, 0, 0, time.UTC)}
}
