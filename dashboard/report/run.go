package report

import (
	"bytes"
	"context"
	_ "embed"
	"errors"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"
	"time"

	"loomproof/checks/groundrun"
	"loomproof/checks/logbook"
	"loomproof/checks/recording"
	"loomproof/checks/recording/store"
	"loomproof/dashboard/band"
	"loomproof/dashboard/charts"
)

//go:embed run.html
var runPage string

// A Run is what a recording of the charging system shows.
type Run struct {
	Recording int64             `json:"recording,omitempty" jsonschema:"description=Its number in the logbook."`
	Title     string            `json:"title"`
	Aircraft  string            `json:"aircraft,omitempty"`
	By        string            `json:"by,omitempty" jsonschema:"description=Who began it."`
	Begun     time.Time         `json:"begun,omitzero" jsonschema:"description=Not there where nobody knows: a log in seconds says no date."`
	Digest    string            `json:"digest,omitempty" jsonschema:"description=Of its seal: it stands for every stored byte."`
	Why       string            `json:"not_analysed,omitempty" jsonschema:"description=Why there is no analysis."`
	Analysis  *groundrun.Report `json:"analysis,omitempty"`

	pictures []charts.Named
	missing  []string
}

// NewRun analyses a recording. What cannot be analysed is told in Why; an error is
// of reading it.
func NewRun(r recording.Recording, o groundrun.Options) (*Run, error) {
	x := &Run{}
	if recording.Dated(r.Start()) {
		x.Begun = r.Start()
	}
	rep, err := groundrun.Analyse(r, o)
	if errors.Is(err, groundrun.ErrNothing) {
		x.Why = err.Error()
	} else if err != nil {
		return nil, err
	}
	x.Analysis = rep
	return x, nil
}

// Draw draws the pictures of the recording that the run was made of.
func (x *Run) Draw(r recording.Recording) (err error) {
	x.pictures, x.missing, err = charts.All(r, x.Analysis)
	return err
}

// Pictures are those that Draw has drawn, and what the recording could not give
// with the reason.
func (x *Run) Pictures() (drawn []charts.Named, missing []string) { return x.pictures, x.missing }

// AddRuns adds the recordings that were made for the worksheet, out of the
// logbook that it is in.
func (r *Report) AddRuns(ctx context.Context, book *logbook.Book) error {
	if len(r.sheet.Recordings) == 0 {
		return nil
	}
	s, err := store.Open(book)
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	for _, made := range r.sheet.Recordings {
		x := &Run{Begun: made.Begun}
		switch kept, err := s.Recording(ctx, made.Recording); {
		case errors.Is(err, store.ErrNotFound):
			x.Why = "it is not in this logbook"
		case err != nil:
			return fmt.Errorf("report: %w", err)
		case made.Ended.IsZero() && kept.Ended.IsZero():
			x.Why = "it is still being recorded"
		default:
			if x, err = NewRun(kept, groundrun.OptionsOf(r.sheet.Design)); err != nil {
				return fmt.Errorf("report: recording %d: %w", made.Recording, err)
			}
			if err := x.Draw(kept); err != nil {
				return fmt.Errorf("report: recording %d: %w", made.Recording, err)
			}
		}
		if x.Begun.IsZero() {
			x.Begun = made.Begun
		}
		r.forget(x)
		x.Recording, x.Title, x.Digest = made.Recording, made.Title, made.Digest
		r.Runs = append(r.Runs, x)
	}
	return nil
}

// forget takes out of the notes what the run's own section says.
func (r *Report) forget(x *Run) {
	if x.Analysis == nil {
		return
	}
	r.Notes = slices.DeleteFunc(r.Notes, func(note string) bool {
		return slices.ContainsFunc(x.Analysis.Untold, func(told string) bool { return strings.HasSuffix(note, told) })
	})
}

// A runCheck is a figure as the page shows it.
type runCheck struct {
	groundrun.Check
	Where, Value, Allowed string
	Number                int // of its rule in Rules
	Picture               template.HTML
}

// Judged are the figures with a limit, Told those without.
func (x *Run) Judged() []runCheck { return x.checks(true) }

// Told are the figures without a limit.
func (x *Run) Told() []runCheck { return x.checks(false) }

func (x *Run) checks(judged bool) (out []runCheck) {
	rules := x.Rules()
	for _, c := range x.Analysis.Checks {
		if (c.Verdict != "") != judged {
			continue
		}
		b := band.Band{Unit: c.Unit, Low: c.Low, High: c.High, Reading: &c.Reading, Uncertainty: c.Uncertainty, Verdict: string(c.Verdict)}
		row := runCheck{Check: c, Value: b.Value()}
		if c.Part != "" {
			row.Where = x.Analysis.PartName(c.Part)
		}
		if judged {
			row.Allowed, row.Picture, row.Number = b.Allowed(), b.SVG(150), slices.Index(rules, c.Rule)+1
		}
		out = append(out, row)
	}
	return out
}

// Rules are the citations of the limits, each once, in the order that they came
// up.
func (x *Run) Rules() (out []string) {
	for _, c := range x.Analysis.Checks {
		if c.Rule != "" && !slices.Contains(out, c.Rule) {
			out = append(out, c.Rule)
		}
	}
	return out
}

// A figure is a picture on the page.
type figure struct {
	Heading string
	SVG     template.HTML
}

// Figures are the pictures, to stand in the page.
func (x *Run) Figures() (out []figure, err error) {
	for _, p := range x.pictures {
		var b bytes.Buffer
		if err := p.SVG(&b); err != nil {
			return nil, err
		}
		out = append(out, figure{p.Heading, template.HTML(b.String())}) //nolint:gosec // drawn by us, words escaped
	}
	return out, nil
}

// NotDrawn is what could not be drawn, and why.
func (x *Run) NotDrawn() []string { return x.missing }

// HTML writes a recording's analysis as a page of its own, without scripts or
// files; it prints on A4 and Letter. The program is named with its version.
func (x *Run) HTML(w io.Writer, program string) error {
	var b bytes.Buffer
	if err := tmpl.ExecuteTemplate(&b, "run-page", map[string]any{"Run": x, "Style": template.CSS(band.Palette + style), "Program": program}); err != nil { //nolint:gosec // our own file
		return fmt.Errorf("report: %w", err)
	}
	_, err := b.WriteTo(w)
	return err
}
