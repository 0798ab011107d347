package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os/user"
	"slices"
	"strings"
	"sync"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/checks/rehearsal"
	"loomproof/checks/sandbox"
	"loomproof/checks/verdict"
	"loomproof/dashboard/station"
	"loomproof/dashboard/terminal"
	"loomproof/scripts"
)

type performCommand struct {
	Procedure string `arg:"" help:"Which: first-power-on, or another; --help lists them. Or a script of your own: FILE.star."`
	Design    string `arg:"" type:"path" help:"The design file."`
	instruments
	Logbook  string `type:"path" default:"loomproof.db" help:"The logbook."`
	Listen   string `placeholder:"ADDRESS" help:"Serve the dashboard, too: 127.0.0.1:8470."`
	By       string `help:"Who answers at this keyboard. Default: the user's name."`
	As       string `placeholder:"CAPACITY" help:"In what capacity: builder, inspector."`
	Rehearse bool   `help:"Touch nothing: print every step with its design value and limits, the tools, the people and the time it takes, and what these instruments cannot prove."`
	Anew     bool   `help:"Open a new worksheet, even if one is unfinished."`
	JSON     bool   `name:"json" help:"Print the report as JSON."`
	HTML     string `name:"html" type:"path" placeholder:"FILE" help:"Write the report as HTML here."`
	replacing
}

func (performCommand) Help() string {
	return `Opens a worksheet in the logbook and works through the procedure. Stopped or killed, the same command
goes on where it was. Power off before working on connections; local rules and licensed practice come
first.

Procedures, in the order of the job: ` + strings.Join(scripts.Procedures(), ", ") + `

Example:

    loomproof perform first-power-on marsh-hen.yaml --meter /dev/ttyUSB0,9600-8N1 \
      --meter-accuracy "0.05% + 3 digits" --supply /dev/ttyUSB1

With --rehearse no port is opened: the instruments named, by --sources or otherwise, read as accurately as is
said of them, and it tells what they cannot prove. With none named it takes a meter and a supply for granted,
as accurate as --meter-accuracy and --supply-accuracy say. It ends with 2 if they cannot prove everything.

` + exitCodes
}

func (c performCommand) Run(w *world) error {
	out := w.out
	if c.JSON {
		out = w.err
	}
	if c.Rehearse {
		return c.rehearse(w)
	}
	if err := c.check(c.Procedure); err != nil {
		return usage{err}
	}
	if err := c.free(c.HTML); err != nil {
		return err
	}
	s, _, done, err := open(w, c.Design, c.Logbook, c.instruments, c.take, out)
	if err != nil {
		return err
	}
	defer done()
	running, stop := context.WithCancelCause(w.ctx)
	defer stop(nil)
	var crew sync.WaitGroup
	t := terminal.Terminal{Desk: s.Desk, Out: out, In: w.in, By: by(c.By), As: c.As}
	if c.Listen == "" {
		t.Alone = func() { stop(errAlone) }
	}
	seen, shown := context.WithCancel(w.ctx)
	crew.Go(func() { t.Run(seen) })
	perform := s.Perform
	if c.Anew {
		perform = s.Anew
	}
	rep, err := perform(running, c.Procedure)
	shown()
	crew.Wait()
	if errors.Is(context.Cause(running), errAlone) {
		return errAlone
	}
	if err != nil {
		return err
	}
	ended := finish(w.out, rep, c.JSON, c.HTML, c.replacing)
	fmt.Fprintf(out, "To close it with a name: loomproof sign %d --by NAME --capacity TEXT --logbook %s\n", rep.Worksheet, c.Logbook)
	return ended
}

// take takes the dashboard's address; nil is for none.
func (c performCommand) take() (*station.Door, error) {
	if c.Listen == "" {
		return nil, nil
	}
	return station.TakeLocal(c.Listen)
}

// rehearse prints what the procedure will be.
func (c performCommand) rehearse(w *world) error {
	name, text, err := scripts.Load(c.Procedure)
	if err != nil {
		return usage{err}
	}
	d, err := readDesign(c.Design)
	if err != nil {
		return err
	}
	kit, err := c.kit(d)
	if err != nil {
		return err
	}
	r, failed := rehearsal.Run(w.ctx, rehearsal.Options{Design: d, Name: name, Script: text, Kit: kit, Interpreter: sandbox.Apart})
	if r == nil {
		return failed
	}
	write := r.Text
	if c.JSON {
		write = func(out io.Writer) error { return writeJSON(out, r) }
	}
	if err := errors.Join(write(w.out), failed); err != nil {
		return err
	}
	if r.Verdict() != verdict.Pass {
		return exit(exitIncomplete)
	}
	return nil
}

// errAlone is why a procedure stops when nobody can answer it.
var errAlone = errors.New("nobody can answer: standard input is closed, and there is no dashboard; run it in a terminal, or with --listen 127.0.0.1:8470. The worksheet can be resumed")

// open makes the station that perform and serve work at, and opens the door that
// was taken for its pages, if one was.
func open(w *world, file, book string, i instruments, take func() (*station.Door, error), out io.Writer) (s *station.Station, door *station.Door, done func(), err error) {
	var undo []func()
	all := func() {
		for _, f := range slices.Backward(undo) {
			f()
		}
	}
	defer func() {
		if err != nil {
			all()
		}
	}()
	d, err := readDesign(file)
	if err != nil {
		return nil, nil, nil, err
	}
	if err := logbook.Openable(book); err != nil {
		return nil, nil, nil, err
	}
	named, err := i.station(d)
	if err != nil {
		return nil, nil, nil, err
	}
	if door, err = take(); err != nil {
		return nil, nil, nil, err
	}
	undo = append(undo, door.Close)
	table := procedure.NewDesk()
	named.File.TypedBy(table.Line)
	opened, err := named.Open(w.ctx, d)
	if err != nil {
		return nil, nil, nil, err
	}
	undo = append(undo, opened.Close)
	// Only now that it can begin: no empty logbook is left behind.
	b, err := logbook.Open(book)
	if err != nil {
		return nil, nil, nil, err
	}
	undo = append(undo, func() { b.Close() })
	for _, warning := range opened.Warnings {
		fmt.Fprintln(w.err, "WARNING:", warning)
	}
	s = &station.Station{Design: d, Bench: opened.Bench, Sources: opened.Sources, Book: b, Desk: table, Version: version(), Apart: true, Ahead: true, Key: ownKey, Known: ownKnown}
	if s.Recorder, err = opened.NewRecorder(b, d, version()); err != nil {
		return nil, nil, nil, err
	}
	undo = append(undo, func() {
		if err := s.Recorder.Close(); err != nil {
			fmt.Fprintln(w.err, "loomproof:", err)
		}
	})
	if door != nil {
		if err := s.Open(w.ctx, door); err != nil {
			return nil, nil, nil, err
		}
		fmt.Fprintf(out, "Dashboard: %s\n", door.Local)
	}
	return s, door, all, nil
}

// readDesign reads a design file.
func readDesign(path string) (*design.Design, error) {
	d, err := design.Read(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("design %s: there is no such file; check its name and folder", path)
	}
	return d, err
}

// by is who answers at the keyboard.
func by(name string) string {
	if name == "" {
		return userName()
	}
	return name
}

func userName() string {
	if u, err := user.Current(); err == nil {
		if u.Name != "" {
			return u.Name
		}
		return u.Username
	}
	return "somebody"
}
