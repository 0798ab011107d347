package report

import (
	"encoding/base64"
	"html/template"
	"strings"

	"loomproof/checks/evidence"
	"loomproof/checks/logbook"
	"loomproof/checks/photograph"
)

// Photograph is a photograph of the work. The report shows it small; the whole is
// in the logbook.
type Photograph struct {
	Hash      string `json:"hash" jsonschema:"description=SHA-256 of the picture as it is kept in the logbook."`
	Step      string `json:"step,omitempty" jsonschema:"description=Id of the step that it is of."`
	During    string `json:"during,omitempty" jsonschema:"description=What was being done where it is of no step."`
	By        string `json:"by"`
	Taken     string `json:"taken,omitempty" jsonschema:"description=By the camera's clock which nothing proves."`
	Amendment string `json:"amendment,omitempty" jsonschema:"description=Text of the amendment that it goes with; it was added after the worksheet was closed."`
	Missing   string `json:"missing,omitempty" jsonschema:"description=Why it cannot be shown."`

	picture func() ([]byte, error)
}

// photographs are those of a worksheet. They are looked at, so that one that was
// changed is not shown.
func photographs(w *logbook.Worksheet) []Photograph {
	out := []Photograph{}
	x := evidence.Of(w)
	for _, p := range evidence.Photographs(x.Records) {
		shown := Photograph{
			Hash: p.Hash, Step: p.Step, During: p.During, By: p.By, Taken: p.Taken, Amendment: p.Text,
			picture: func() ([]byte, error) { return x.Picture(p) },
		}
		if _, err := x.Picture(p); err != nil {
			shown.Missing = err.Error()
		}
		out = append(out, shown)
	}
	return out
}

// longSide is how many pixels a photograph has in the report: 300 a inch, on a
// third of a page.
const longSide = 1000

// Shown is the photograph as the report embeds it; "" if it cannot be drawn.
func (p Photograph) Shown() template.URL {
	kept, err := p.picture()
	if err != nil {
		return ""
	}
	small, err := photograph.Scaled(kept, longSide)
	if err != nil {
		return ""
	}
	return template.URL("data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(small)) //nolint:gosec // a JPEG that we made
}

// Of says what it is of, where it is of no step.
func (p Photograph) Of() string {
	switch {
	case p.Amendment != "":
		return p.Amendment
	case p.During != "":
		return "While: " + strings.TrimRight(p.During, ". ")
	}
	return "Of the whole worksheet"
}

// photographsOf are the numbers, from 1 on, of the photographs of a step.
func (r *Report) photographsOf(step string) (out []int) {
	for i, p := range r.Photographs {
		if p.Step == step {
			out = append(out, i+1)
		}
	}
	return out
}
