package web

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"path"
	"slices"
	"strings"
	"sync"

	"loomproof/checks/groundrun"
	"loomproof/checks/recording/store"
	"loomproof/dashboard/band"
	"loomproof/dashboard/charts"
)

// analysed is what a finished recording shows; it is found once.
type analysed struct {
	done   chan struct{} // closed when the others are set
	report *groundrun.Report
	err    error
}

// analyses are those of the last recordings that somebody looked at.
type analyses struct {
	sync.Mutex
	of map[int64]*analysed
}

// mostAnalysed is how many analyses are kept.
const mostAnalysed = 16

// analyse says what a finished recording shows. Whoever asks while it is being
// found waits for the same answer.
func (s *Server) analyse(ctx context.Context, rec *store.Recording) (*groundrun.Report, error) {
	s.analyses.Lock()
	if s.analyses.of == nil || len(s.analyses.of) >= mostAnalysed && s.analyses.of[rec.ID] == nil {
		s.analyses.of = map[int64]*analysed{}
	}
	a := s.analyses.of[rec.ID]
	if a == nil {
		a = &analysed{done: make(chan struct{})}
		s.analyses.of[rec.ID] = a
		go func() {
			defer close(a.done)
			// Not the request's context: others may wait for it.
			again, err := s.Recordings.Recording(context.WithoutCancel(ctx), rec.ID)
			if err != nil {
				a.err = err
				return
			}
			a.report, a.err = groundrun.Analyse(again, groundrun.OptionsOf(s.Design))
		}()
	}
	s.analyses.Unlock()
	select {
	case <-a.done:
		return a.report, a.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

type checkShown struct {
	groundrun.Check
	Value, Allowed string
	Picture, Stamp template.HTML
}

// analysis serves /recording/3/analysis: what the recording shows, as the part
// of the page that stands below the charts; ?as=json for machines.
func (s *Server) analysis(w http.ResponseWriter, r *http.Request) {
	rec := s.kept(w, r)
	if rec == nil {
		return
	}
	data := struct {
		Report  *groundrun.Report
		Why     string // there is none
		Stamp   template.HTML
		Checks  []checkShown
		Told    []checkShown // without a limit
		Ongoing bool
	}{Ongoing: rec.Ended.IsZero()}
	if data.Ongoing {
		s.page(w, http.StatusOK, "analysis.html", data)
		return
	}
	rep, err := s.analyse(r.Context(), rec)
	switch {
	case errors.Is(err, groundrun.ErrNothing):
		data.Why = err.Error()
	case err != nil:
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	case r.FormValue("as") == "json":
		w.Header().Set("Content-Type", "application/json")
		_ = rep.JSON(w)
		return
	default:
		data.Report, data.Stamp = rep, band.Stamp(string(rep.Verdict))
		for _, c := range rep.Checks {
			shown := shownCheck(rep, c)
			if c.Verdict == "" {
				data.Told = append(data.Told, shown)
			} else {
				data.Checks = append(data.Checks, shown)
			}
		}
	}
	s.page(w, http.StatusOK, "analysis.html", data)
}

// shownCheck writes a figure; its part is told by name.
func shownCheck(rep *groundrun.Report, c groundrun.Check) checkShown {
	for _, p := range rep.Parts {
		if p.ID == c.Part {
			c.Part = p.Name
		}
	}
	b := band.Band{Unit: c.Unit, Low: c.Low, High: c.High, Reading: &c.Reading, Uncertainty: c.Uncertainty, Verdict: string(c.Verdict)}
	out := checkShown{Check: c, Value: b.Value()}
	if c.Verdict != "" {
		out.Allowed, out.Picture, out.Stamp = b.Allowed(), b.SVG(150), band.Stamp(string(c.Verdict))
	}
	return out
}

// pictures are the names of what can be drawn of a recording.
var pictures = []string{"run", "spectrum", "waterfall", "regulator"}

// drawn serves /recording/3/run.svg?from=10&to=20, spectrum.svg, waterfall.svg and
// regulator.svg, and each as PNG.
func (s *Server) drawn(w http.ResponseWriter, r *http.Request) {
	kind := path.Ext(r.PathValue("picture"))
	name := strings.TrimSuffix(r.PathValue("picture"), kind)
	if !slices.Contains(pictures, name) || kind != ".svg" && kind != ".png" {
		s.message(w, r, http.StatusNotFound, "There is no such picture.", "Go to the bench page.")
		return
	}
	rec := s.kept(w, r)
	if rec == nil {
		return
	}
	p, err := s.draw(r, rec, name)
	var b bytes.Buffer
	if err == nil {
		write := p.SVG
		if kind == ".png" {
			write = p.PNG
		}
		err = write(&b)
	}
	switch {
	case errors.Is(err, charts.ErrNothing), errors.Is(err, groundrun.ErrNothing):
		s.message(w, r, http.StatusNotFound, "That cannot be drawn: "+err.Error()+".", "Go to the bench page.")
		return
	case err != nil:
		s.message(w, r, http.StatusInternalServerError, err.Error(), "Check the logbook's disk.")
		return
	}
	w.Header().Set("Content-Type", map[string]string{".svg": "image/svg+xml", ".png": "image/png"}[kind])
	// The SVG has its colours as attributes; nothing in it may act.
	w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; img-src data:") // the cells of the waterfall
	w.Header().Set("Cache-Control", "no-store")
	_, _ = b.WriteTo(w)
}

// draw makes a picture. The run alone can be drawn while it is recorded.
func (s *Server) draw(r *http.Request, rec *store.Recording, name string) (*charts.Picture, error) {
	var rep *groundrun.Report
	if !rec.Ended.IsZero() {
		var err error
		if rep, err = s.analyse(r.Context(), rec); err != nil && (name != "run" || !errors.Is(err, groundrun.ErrNothing)) {
			return nil, err
		}
	} else if name != "run" {
		return nil, fmt.Errorf("%w while it goes on", charts.ErrNothing)
	}
	switch name {
	case "spectrum":
		return charts.Spectrum(rec, rep, r.FormValue("part"))
	case "waterfall":
		return charts.Waterfall(rec, rep)
	case "regulator":
		return charts.Regulator(rep)
	}
	from, to := stretch(r, rec)
	return charts.Run(rec, rep, from, to)
}
