// Package demo performs a procedure on the Marsh Hen on an emulated bench, with
// one planted fault: the whole of the program at work, over real serial lines,
// without an aircraft.
//
//	rep, err := demo.Run(ctx, demo.Options{Fault: "high-resistance-joint", HandsOff: true, Out: os.Stdout})
//
// Emulated instruments stand on a mock-up of the aircraft, each at the far end
// of a pseudo-terminal (a pipe where the system has none). The near ends are
// opened and read as real instruments are.
package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/mockup"
	"loomproof/checks/procedure"
	"loomproof/dashboard/report"
	"loomproof/dashboard/station"
	"loomproof/dashboard/terminal"
	"loomproof/probe/bench"
	"loomproof/scripts"
)

// NoFault is the name of the fault that is none.
const NoFault = "none"

// Options say how the demo runs.
type Options struct {
	Procedure string // "" is the first power-on
	Bench     string // of [Benches]; "" is all
	Fault     string // of [mockup.Everything], or [NoFault]; "" is the first of the catalogue
	HandsOff  bool   // emulated hands answer the hold points, too
	Listen    string // address of the pages; "" for none
	Logbook   string // file to keep; "" for one that goes with the demo
	Seed      uint64 // of the aircraft's parts and the instruments' errors
	Version   string
	Apart     bool      // see [station.Station]
	Ahead     bool      // the same
	Out       io.Writer // progress
	In        io.Reader // answers from the keyboard; nil for none
	By        string    // who answers at the keyboard
	Opened    func(*station.Door)
	Door      func() (*station.Door, error) // takes what the pages are reached by, instead of Listen; nil for none
	Pace      time.Duration                 // of the emulated hands at each move; 0 chooses
}

// Faults lists what can be planted: name and what it is.
func Faults() [][2]string {
	out := [][2]string{}
	for _, p := range mockup.Everything() {
		out = append(out, [2]string{p.Name, p.String()})
	}
	for _, f := range mockup.ChargingFaults() {
		out = append(out, [2]string{f.Name, f.Fault.String() + " (with --procedure " + groundRun + ")"})
	}
	return append(out, [2]string{NoFault, "nothing wrong"})
}

// planted finds what to plant by name.
func planted(name string) (mockup.Planted, error) {
	switch name {
	case "":
		return mockup.Catalogue()[0], nil
	case NoFault:
		return mockup.Planted{}, nil
	}
	if f, is := chargingFault(name); is {
		return mockup.Planted{Quirk: mockup.Quirk{What: "charging system", Where: f.Name, Text: f.Fault.String()}}, nil
	}
	if p, ok := mockup.Find(name); ok {
		return p, nil
	}
	var names []string
	for _, p := range mockup.Everything() {
		names = append(names, p.Name)
	}
	return mockup.Planted{}, fmt.Errorf("there is no fault %q; there are: %s, %s", name, strings.Join(names, ", "), NoFault)
}

// Check tells whether the options can be run.
func Check(o Options) error {
	if _, is := chargingFault(o.Fault); is && o.procedure() != groundRun {
		return fmt.Errorf("%s is a fault of the charging system, which only shows with the engine turning: add --procedure %s", o.Fault, groundRun)
	}
	if _, ok := scripts.Procedure(o.procedure()); !ok {
		return fmt.Errorf("there is no procedure %q; there are: %s", o.Procedure, strings.Join(scripts.Procedures(), ", "))
	}
	if !slices.ContainsFunc(Benches(), func(b [2]string) bool { return b[0] == o.Bench || o.Bench == "" }) {
		var names []string
		for _, b := range Benches() {
			names = append(names, b[0])
		}
		return fmt.Errorf("there is no bench %q; there are: %s", o.Bench, strings.Join(names, ", "))
	}
	_, err := planted(o.Fault)
	return err
}

func (o Options) procedure() string {
	if o.Procedure == "" {
		return "first-power-on"
	}
	return o.Procedure
}

// Run runs the demo to the end of the worksheet and returns its report. With
// pages and without HandsOff it then waits until the context ends, so that they
// can be looked at.
func Run(ctx context.Context, o Options) (*report.Report, error) {
	fault, err := planted(o.Fault)
	if err != nil {
		return nil, err
	}
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	if err != nil {
		return nil, err
	}
	m, err := mockup.New(d, fault.Faults(), o.Seed)
	if err != nil {
		return nil, err
	}
	fault.Plant(m)
	door, err := o.door()
	if err != nil {
		return nil, err
	}
	defer door.Close()
	book, forget, err := openBook(o.Logbook)
	if err != nil {
		return nil, err
	}
	defer forget()
	run := o.runs(m)
	instruments, unplug, err := newBenchOf(ctx, o.Bench, m, run, o.Seed, bench.NewCable)
	if err != nil {
		return nil, err
	}
	defer unplug()
	s := &station.Station{
		Design: d, Bench: instruments, Book: book, Desk: procedure.NewDesk(), Version: o.Version,
		Apart: o.Apart, Ahead: o.Ahead, Passing: o.Logbook == "",
		Demo: "Demo: emulated instruments on an aircraft that exists nowhere. Planted: " + m.Faults() + ".",
	}
	if run != nil {
		rec, err := newRecorder(book, instruments, d.Aircraft.Name, o.Version)
		if err != nil {
			return nil, err
		}
		defer rec.Close()
		s.Recorder, s.Shortened = rec, shortened
	}
	if o.HandsOff {
		s.Desk.Settle = 0 // nobody is at a key that could bounce
	}
	fmt.Fprintln(o.Out, s.Demo)
	running, stop := context.WithCancel(ctx)
	var crew sync.WaitGroup
	defer crew.Wait()
	defer stop()
	if door != nil {
		if err := s.Open(running, door); err != nil {
			return nil, err
		}
		fmt.Fprintf(o.Out, "Dashboard: %s\n", door.Local)
		if o.Opened != nil {
			o.Opened(door)
		}
	}
	crew.Go(func() { m.Hands(running, s.Desk, mockup.Pace{Move: o.pace(), Answer: o.HandsOff}) })
	t := terminal.Terminal{Desk: s.Desk, Out: o.Out, In: o.In, By: o.By}
	seen, shown := context.WithCancel(running)
	defer shown()
	crew.Go(func() { t.Run(seen) })
	rep, err := s.Perform(running, o.procedure())
	if err == nil && !o.HandsOff && o.Listen != "" {
		fmt.Fprintf(o.Out, "\nThe worksheet is finished. Look at the pages; Ctrl-C ends the demo.\n")
		<-ctx.Done()
	}
	return rep, err
}

// door is taken before anything is written.
func (o Options) door() (*station.Door, error) {
	switch {
	case o.Door != nil:
		return o.Door()
	case o.Listen != "":
		return station.TakeLocal(o.Listen)
	}
	return nil, nil
}

// pace is how long emulated hands take: as fast as the instruments see it when
// nobody watches, else at a pace that can be followed.
func (o Options) pace() time.Duration {
	switch {
	case o.Pace > 0:
		return o.Pace
	case o.HandsOff:
		return briskly(o.Bench)
	}
	return 600 * time.Millisecond
}

// briskly is the pace of hands that nobody watches: long enough for the meter to
// show that the probes were lifted. A bench meter reads in some milliseconds; a
// handheld one shows at the next conversion but one what stands at its leads.
func briskly(which string) time.Duration {
	if which == "handheld" {
		return 3 * handheldInterval
	}
	return 18 * time.Millisecond
}

func openBook(path string) (book *logbook.Book, forget func(), err error) {
	if path != "" {
		book, err = logbook.Open(path)
		return book, func() { book.Close() }, err
	}
	dir, err := os.MkdirTemp("", "loomproof-demo")
	if err != nil {
		return nil, nil, err
	}
	book, err = logbook.Open(filepath.Join(dir, "logbook.db"))
	if err != nil {
		return nil, nil, errors.Join(err, os.RemoveAll(dir))
	}
	return book, func() { book.Close(); os.RemoveAll(dir) }, nil
}
