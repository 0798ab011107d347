// Package station is the program at work: one aircraft's design, a bench of
// instruments, a logbook, and the desk at which people sit, in the terminal and
// in the browser. The commands are thin covers over it.
//
//	s := station.Station{Design: d, Bench: bench, Book: book, Desk: procedure.NewDesk(), Version: v}
//	door, err := station.TakeLocal("127.0.0.1:8470")
//	err = s.Open(ctx, door)
//	rep, err := s.Perform(ctx, "first-power-on")
package station

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"slices"
	"sync"
	"time"

	"loomproof/checks/design"
	"loomproof/checks/evidence"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/checks/recording/recorder"
	"loomproof/checks/recording/store"
	"loomproof/checks/sandbox"
	"loomproof/checks/trend"
	"loomproof/dashboard/crept"
	"loomproof/dashboard/metrics"
	"loomproof/dashboard/report"
	"loomproof/dashboard/web"
	"loomproof/probe/sources"
	"loomproof/scripts"
)

// A Station is the program at work. All fields but Sources, Demo and Key are needed.
type Station struct {
	Design    *design.Design
	Bench     *procedure.Bench
	Sources   []*sources.Source // what metrics and pages tell of
	Book      *logbook.Book
	Desk      *procedure.Desk
	Version   string
	Passing   bool                          // the logbook goes with the program
	Demo      string                        // what pages say of an emulated bench
	Key       func() (*evidence.Key, error) // opens the key to sign with; nil leaves signing out
	Known     func() evidence.Known         // the keys that are vouched for; nil for none
	Recorder  *recorder.Recorder            // records; nil where nothing can
	Shortened float64                       // see [procedure.Performance]
	Apart     bool                          // scripts run in a process of their own; main must call [sandbox.Serve]
	Ahead     bool                          // pages say what comes next, from a rehearsal

	measured sync.Once
	exporter *metrics.Exporter

	ahead ahead
}

// Perform performs a procedure into a worksheet of the logbook, and makes its
// report. The name is that of one of ours, or a file's. An unfinished worksheet of
// the same procedure and design is gone on with; [Station.Anew] begins a new one. It
// fails with [ErrSmoke] while the cause of the last worksheet's smoke is not found.
func (s *Station) Perform(ctx context.Context, name string) (*report.Report, error) {
	return s.perform(ctx, name, false)
}

// Anew performs a procedure into a new worksheet, whatever is unfinished.
func (s *Station) Anew(ctx context.Context, name string) (*report.Report, error) {
	return s.perform(ctx, name, true)
}

func (s *Station) perform(ctx context.Context, name string, anew bool) (*report.Report, error) {
	which := name
	name, script, err := scripts.Load(which)
	if err != nil {
		return nil, err
	}
	sheet, err := s.worksheet(ctx, name, script, anew)
	if err != nil {
		return nil, err
	}
	// A worksheet goes on by the script that it was begun with.
	opening, err := sheet.Opening()
	if err != nil {
		return nil, err
	}
	if scripts.IsFile(which) && opening.Script != string(script) {
		return nil, fmt.Errorf("worksheet %d was begun with another text of %s: begin a new one with --anew, or put the text back", sheet.ID(), which)
	}
	script = []byte(opening.Script)
	by := s.Design
	if opening.Revision != by.Revision {
		if by, err = design.Parse(opening.File, []byte(opening.Design)); err != nil {
			return nil, fmt.Errorf("worksheet %d: the design that it was begun with cannot be read any more: %w", sheet.ID(), err)
		}
	}
	p := procedure.Performance{Design: by, Sheet: sheet, Name: name, Script: script, Bench: s.Bench, Desk: s.Desk, Passing: s.Passing, Recorder: s.Recorder, Shortened: s.Shortened}
	if p.Earlier, err = s.earlier(ctx, sheet.ID()); err != nil {
		return nil, err
	}
	p.Crept = s.crept(ctx, sheet)
	p.Took = s.Metrics().Captured
	if s.Apart {
		p.Interpreter = sandbox.Apart
	}
	defer s.lookAhead(ctx, name, script)()
	if err := p.Perform(ctx); err != nil {
		return nil, err
	}
	rep, err := report.New(sheet)
	if err != nil {
		return nil, err
	}
	return rep, rep.AddRuns(ctx, s.Book)
}

// worksheet is the unfinished one that is gone on with or, where there is none or
// anew says so, a new one.
func (s *Station) worksheet(ctx context.Context, name string, script []byte, anew bool) (*logbook.Worksheet, error) {
	var unfinished *logbook.Worksheet
	if !anew {
		var err error
		if unfinished, err = s.Book.Unfinished(ctx, name, s.Design.Revision); errors.Is(err, logbook.ErrNotFound) {
			unfinished, err = s.former(ctx, name)
		}
		if err != nil && !errors.Is(err, logbook.ErrNotFound) {
			return nil, err
		}
	}
	after, err := s.afterSmoke(ctx, unfinished)
	if err != nil || unfinished != nil {
		return unfinished, err
	}
	return s.Book.Begin(ctx, logbook.Opening{
		Procedure: name, Script: string(script), Aircraft: s.Design.Aircraft.Name, Design: s.Design.Text,
		File: s.Design.File, Revision: s.Design.Revision, Program: s.Version, After: after,
	})
}

// The answers where an unfinished worksheet has another design.
const (
	beginNew = "Begin a new one"
	goOn     = "Go on with it, by the design as it was"
)

// former is the unfinished worksheet of the aircraft that was begun with another
// revision of its design, if a person wants to go on with it; else, and where there
// is none, it fails with [logbook.ErrNotFound].
func (s *Station) former(ctx context.Context, name string) (*logbook.Worksheet, error) {
	sheet, err := s.Book.UnfinishedOf(ctx, name, s.Design.Aircraft.Name)
	if err != nil {
		return nil, err
	}
	opening, err := sheet.Opening()
	if err != nil {
		return nil, err
	}
	begun := sheet.Records()[0].At.Local().Format("2006-01-02 15:04")
	a, err := s.Desk.Choose(ctx, procedure.Now{
		Warn: true, Say: fmt.Sprintf("Worksheet %d of %s is unfinished. The design has changed since.", sheet.ID(), name),
		Detail: fmt.Sprintf("Begun on %s by revision %s; the design is at %s now. A worksheet is judged by the design that it was begun with. "+
			"It is kept either way, and loomproof report %d shows how far it came; to go on with it later, put that design back.", begun, opening.Revision, s.Design.Revision, sheet.ID()),
		Answers: []string{beginNew, goOn},
	})
	switch {
	case err != nil:
		return nil, err
	case a.Choice == goOn:
		return sheet, nil
	}
	return nil, logbook.ErrNotFound
}

// crept names the circuits that have crept in the worksheets before one. Old
// worksheets that cannot be read any more are no reason not to begin: then there
// is no order.
func (s *Station) crept(ctx context.Context, w *logbook.Worksheet) []string {
	sheets, err := crept.Sheets(ctx, s.Book, w)
	if err != nil {
		return nil
	}
	before := slices.DeleteFunc(sheets, func(x *trend.Sheet) bool { return x.ID == w.ID() })
	return trend.Crept(before)
}

// earlier is what the closed worksheets of this aircraft found at each step, the
// newest for each.
func (s *Station) earlier(ctx context.Context, but int64) (map[string]procedure.Earlier, error) {
	list, err := s.Book.Worksheets(ctx)
	if err != nil {
		return nil, err
	}
	out := map[string]procedure.Earlier{}
	for _, x := range list { // the newest first
		if x.ID == but || !x.Closed || x.Aircraft != s.Design.Aircraft.Name {
			continue
		}
		w, err := s.Book.Worksheet(ctx, x.ID)
		if err != nil {
			return nil, err
		}
		sheet, err := procedure.Fold(w.Records())
		if err != nil {
			continue // it cannot be read any more: nothing to compare with
		}
		for _, step := range sheet.Steps {
			if _, has := out[step.ID]; !has && step.Reading != nil {
				out[step.ID] = procedure.Earlier{Worksheet: x.ID, At: step.At, Verdict: step.Verdict, Reading: step.Reading}
			}
		}
	}
	return out, nil
}

// Start waits at the desk until somebody starts the procedure. Meanwhile what is
// clipped on is read, so that metrics tell when it is lost.
func (s *Station) Start(ctx context.Context, name string) error {
	return s.standingBy(ctx, func(ctx context.Context) error {
		return s.Desk.Ask(ctx, s.Design.Aircraft.Name+": start "+name+"?", "Start")
	})
}

func (s *Station) pages(devices http.Handler) (http.Handler, error) {
	var recordings *store.Store
	if s.Book != nil {
		var err error
		if recordings, err = store.Open(s.Book); err != nil {
			return nil, err
		}
	}
	return web.New(web.Options{
		Desk: s.Desk, Book: s.Book, Design: s.Design, Recordings: recordings, Sources: s.Sources,
		Looked: s.ahead.want, Metrics: s.Metrics().Handler(), Devices: devices, Key: s.Key, Known: s.Known, Recorder: s.Recorder, Demo: s.Demo,
	}), nil
}

// Metrics are what the program tells machines. The logbook's part begins with
// the first call.
func (s *Station) Metrics() *metrics.Exporter {
	s.measured.Do(func() {
		o := metrics.Options{Desk: s.Desk, Version: s.Version, Sources: s.Sources, Design: s.Design}
		if s.Book != nil {
			o.Logbook = s.Book.Path()
		}
		s.exporter = metrics.New(o)
		if s.Book != nil {
			s.Book.Took = s.exporter.Recorded
		}
	})
	return s.exporter
}

func (s *Station) serve(ctx context.Context, l net.Listener, h http.Handler) {
	server := &http.Server{
		Handler:           h,
		ReadHeaderTimeout: 10 * time.Second,
		BaseContext:       func(net.Listener) context.Context { return ctx },
	}
	go func() { _ = server.Serve(l) }()
	context.AfterFunc(ctx, func() { _ = server.Close() })
}
