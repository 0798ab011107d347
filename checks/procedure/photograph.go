package procedure

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"loomproof/checks/logbook"
	"loomproof/checks/photograph"
)

// A Photograph is what a worksheet says of a photograph. Its bytes are attached to
// the record under their hash; see [logbook.Worksheet.Attached].
type Photograph struct {
	Hash   string `json:"hash"` // SHA-256 of what is kept
	Type   string `json:"type"` // image/jpeg, image/png, image/webp
	Bytes  int    `json:"bytes"`
	Width  int    `json:"width"` // pixels, as packed
	Height int    `json:"height"`
	Taken  string `json:"taken,omitempty"`  // by the camera's clock, which nothing proves
	Step   string `json:"step,omitempty"`   // id of the step that it is of; "" is none yet
	During string `json:"during,omitempty"` // what was being done
	By     string `json:"by"`
}

// MostPhotographs is how many a worksheet may have.
const MostPhotographs = 200

// ErrNoWorksheet is returned for a photograph while nothing is performed.
var ErrNoWorksheet = errors.New("no worksheet is being performed; what is to be added to a closed one is an amendment: loomproof amend")

// NewPhotograph checks a picture and gives what is to be kept of it: see
// [photograph.Clean].
func NewPhotograph(picture []byte) (kept []byte, p Photograph, err error) {
	kept, about, err := photograph.Clean(picture)
	if err != nil {
		return nil, p, err
	}
	return kept, Photograph{Hash: logbook.HashOf(kept), Type: about.Type, Bytes: len(kept), Width: about.Width, Height: about.Height, Taken: about.Taken}, nil
}

// Photograph attaches a picture to the worksheet that is being performed: to one of
// its steps, or with step "" to what is being done now. When it returns without
// error the picture is on disk.
func (d *Desk) Photograph(ctx context.Context, picture []byte, step, by string) (Photograph, error) {
	kept, p, err := NewPhotograph(picture)
	if err != nil {
		return p, err
	}
	d.mu.Lock()
	sheet, v := d.sheet, d.view
	d.mu.Unlock()
	if sheet == nil || sheet.Closed() {
		return p, ErrNoWorksheet
	}
	p.Step, p.By = step, strings.TrimSpace(by)
	switch {
	case p.By == "":
		return p, errors.New("say who took it: fill in your name")
	case step == "":
		p.During = v.Now.Say
	case !slices.ContainsFunc(v.Steps, func(s Step) bool { return s.ID == step }):
		return p, fmt.Errorf("there is no step %q on this worksheet", step)
	}
	if n := len(photographs(sheet.Records())); n >= MostPhotographs {
		return p, fmt.Errorf("the worksheet has %d photographs, and no more are kept: choose with care", n)
	}
	_, err = sheet.AppendAttached(ctx, KindPhotograph, kept, func(logbook.Record, string) (any, error) { return p, nil })
	return p, err
}

// photographs are those of a worksheet, but for its amendments'.
func photographs(records []logbook.Record) (out []Photograph) {
	for _, r := range records {
		var p Photograph
		if r.Kind == KindPhotograph && r.Decode(&p) == nil {
			out = append(out, p)
		}
	}
	return out
}

// attend says to which worksheet photographs belong; nil when none is performed.
func (d *Desk) attend(sheet *logbook.Worksheet) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.sheet = sheet
}
