package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"loomproof/checks/logbook"
	"loomproof/checks/recording/recorder"
	"loomproof/checks/recording/store"
	"loomproof/probe/port"
	"loomproof/probe/sources"
)

type recordCommand struct {
	named
	Channel []string      `sep:"none" placeholder:"NAME=SOURCE/CHANNEL:ROLE" help:"A channel to record, and what it is of. Default: all channels that the source file states an accuracy for. May be given several times."`
	For     time.Duration `placeholder:"TIME" help:"End after so long: 20m, 1h30m. Default: until Ctrl-C."`
	Trigger string        `placeholder:"WHEN" help:"Wait until a channel passes a level: 'bus < 11 V'. Return starts it at once."`
	Before  time.Duration `default:"5s" help:"How much from before the trigger is kept."`
	Title   string        `help:"What it is, in your words."`
	Logbook string        `type:"path" default:"loomproof.db" help:"The logbook."`
	JSON    bool          `name:"json" help:"Print the summary as JSON."`
}

func (recordCommand) Help() string {
	return `Records channels of the sources into the logbook: of a node every sample, of other sources each reading that
they give. Type a line to set a marker there; these words mean something to the analysis:
` + recorder.Words() + `.
Everything is on disk within a quarter of a second. A source that is pulled goes on when it is back; what is
missing is told as a gap and never filled in. A recording that was killed keeps all until then.

A node cuts its output when it is opened and when it is closed: nothing that must stay on may hang on it. A ground run
belongs to licensed practice and local rules: brakes, chocks, a clear propeller, a fire extinguisher, and somebody
at the controls who does nothing else.

Example:

    loomproof record --sources sources.yaml --channel "bus=board/main bus:bus voltage" \
      --trigger "bus < 11 V" --before 5s --for 20m

What a channel can be of: ` + recorder.RoleNames() + `.

` + exitCodes
}

func (c recordCommand) Run(w *world) error {
	if c.Trigger != "" {
		if _, err := recorder.ParseTrigger(c.Trigger); err != nil {
			return usage{err}
		}
	}
	if c.For < 0 || c.Before < 0 {
		return usage{errors.New("--for and --before are times of at least 0")}
	}
	f, err := c.file()
	if err != nil {
		return err
	}
	if len(f.Names()) == 0 {
		return usage{errors.New("no sources; name them with --sources FILE or --source LINE")}
	}
	all, err := openSources(w, f)
	defer func() {
		for _, s := range all {
			s.Close()
		}
	}()
	if err != nil {
		return err
	}
	if _, err := recorder.Inputs(all, c.Channel); err != nil {
		return usage{err}
	}
	book, err := logbook.Open(c.Logbook)
	if err != nil {
		return err
	}
	defer book.Close()
	st, err := store.Open(book)
	if err != nil {
		return err
	}
	return c.record(w, st, recorder.New(st, all, "", version()))
}

func openSources(w *world, f *sources.File) (all []*sources.Source, err error) {
	list, err := f.Sources()
	if err != nil {
		return nil, err
	}
	for _, s := range list {
		kept := sources.Of(s)
		all = append(all, kept)
		if err := kept.Open(w.ctx); errors.Is(err, port.ErrBusy) {
			return all, fmt.Errorf("%w. If that is loomproof serve, record on its page: a node is opened once, since opening it cuts its output", err)
		} else if err != nil {
			return all, err
		}
	}
	return all, nil
}

func (c recordCommand) record(w *world, st *store.Store, r *recorder.Recorder) error {
	progress := recorder.Progress{Out: w.err}
	r.Tell, r.Kept = progress.Tell, progress.Kept
	err := r.Start(w.ctx, recorder.Order{
		By: userName(), Title: c.Title, Channels: c.Channel, Trigger: c.Trigger, Before: c.Before.Seconds(), For: c.For.Seconds(),
	})
	if err != nil {
		return err
	}
	if c.Trigger != "" {
		progress.Tell(fmt.Sprintf("waiting for %v; Return starts at once", c.Trigger))
	}
	go typedMarkers(w.in, r)                                   // ends with the program, or its input
	defer context.AfterFunc(w.ctx, func() { _ = r.Close() })() // Wait tells what went wrong
	after := *w
	after.ctx = context.WithoutCancel(w.ctx) // Ctrl-C ends the recording, not this
	id, err := r.Wait(after.ctx)
	if id == 0 {
		return err
	}
	return errors.Join(err, printSummary(&after, st, id, c.JSON))
}

// typedMarkers sets a marker for each line.
func typedMarkers(in io.Reader, r *recorder.Recorder) {
	if in == nil {
		return
	}
	for lines := bufio.NewScanner(in); lines.Scan(); {
		if r.Mark(strings.TrimSpace(lines.Text()), "keyboard") != nil {
			return // it has ended
		}
	}
}
