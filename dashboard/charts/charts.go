// Package charts draws a recording of a ground run and what the analysis says
// of it, on paper with ink: as SVG for pages and reports, as PNG for whoever
// wants pixels. Both are drawn from one Picture.
//
//	p, err := charts.Run(recording, report, 0, 0)   // the whole run with its parts
//	p, err := charts.Run(recording, report, 8, 8.2) // a crank, down to single samples
//	p, err := charts.Spectrum(recording, report, "")
//	p, err := charts.Waterfall(recording, report)
//	p, err := charts.Regulator(report)
//	p.SVG(w); p.PNG(w)
//
// # What is promised
//
// What a picture costs depends on its width and not on the recording's length:
// columns come from the recording's View, and single samples are read only when
// there are no more of them than columns. A gap is left white and never joined. A picture
// that the recording cannot give is an error that wraps ErrNothing and says why.
//
// An SVG may stand in a page: it has no script, no style sheet and no id, takes nothing from
// elsewhere, escapes every name, and carries a title and a description for readers that
// see none. It stays below 60 kB.
package charts

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"loomproof/checks/groundrun"
	"loomproof/checks/recording"
)

// ErrNothing is returned, wrapped, for a picture that the recording cannot give.
var ErrNothing = errors.New("nothing to draw")

// The page that all pictures share, in pixels.
const (
	width  = 860.0
	left   = 64.0 // of the plot
	right  = 836.0
	across = right - left
)

// columns is how many stretches the width is cut into: a column is wider than a
// hair and narrower than a pencil line.
const columns = 400

// A Named picture has a short name, fit for a file, and a word for a heading.
type Named struct {
	Name, Heading string
	*Picture
}

// All draws every picture that the recording can give, and says why of those
// that it cannot.
func All(r recording.Recording, rep *groundrun.Report) (pictures []Named, missing []string, err error) {
	for _, of := range []struct {
		name, heading, of string
		draw              func() (*Picture, error)
	}{
		{"run", "The run", "the run", func() (*Picture, error) { return Run(r, rep, 0, 0) }},
		{"spectrum", "The ripple's spectrum", "the ripple's spectrum", func() (*Picture, error) { return Spectrum(r, rep, "") }},
		{"waterfall", "The ripple's lines over the run", "the ripple's lines over the run", func() (*Picture, error) { return Waterfall(r, rep) }},
		{"regulator", "How the regulator holds", "how the regulator holds", func() (*Picture, error) { return Regulator(rep) }},
	} {
		p, err := of.draw()
		switch {
		case errors.Is(err, ErrNothing):
			why := strings.TrimPrefix(err.Error(), ErrNothing.Error()+": ")
			missing = append(missing, fmt.Sprintf("No picture of %s: %s.", of.of, why))
		case err != nil:
			return nil, nil, fmt.Errorf("%s: %w", of.name, err)
		default:
			pictures = append(pictures, Named{of.name, of.heading, p})
		}
	}
	return pictures, missing, nil
}

// channelOf is the index of a channel by its name, -1 when there is none.
func channelOf(r recording.Recording, name string) int {
	for i, c := range r.Channels() {
		if c.Name == name {
			return i
		}
	}
	return -1
}

// span is the time that a recording covers; ok is false when it holds nothing.
func span(r recording.Recording) (from, to float64, ok bool) {
	from, to = math.Inf(1), math.Inf(-1)
	for i := range r.Channels() {
		if f, t := r.Span(i); f < t {
			from, to = math.Min(from, f), math.Max(to, t)
		}
	}
	return from, to, from < to
}
