// Package rehearsal goes through a procedure without touching anything: on an
// aircraft that exists only in the design, with instruments that read what the
// design says.
//
//	r, err := rehearsal.Run(ctx, rehearsal.Options{Design: d, Name: "loaded", Script: text, Kit: kit})
//	r.Text(os.Stdout)
//
// It is the performance itself that runs (package procedure), so that a rehearsal
// asks what the procedure will ask and finds the mistakes that it would meet. The
// aircraft is sound and every part has its usual value: a step that is undecided
// here cannot be proven with these instruments.
//
// Check runs a script once more with each fault of the catalogue, and tells which
// calls no run has come to.
package rehearsal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/mockup"
	"loomproof/checks/procedure"
	"loomproof/checks/sandbox"
	"loomproof/checks/verdict"
)

// Options say what is rehearsed.
type Options struct {
	Design *design.Design
	Name   string // of the procedure
	Script []byte
	Kit    Kit

	// Interpreter runs the script; see [procedure.Performance].
	Interpreter func(context.Context, sandbox.Program) error
	Planted     mockup.Planted // what is wrong with the aircraft; nothing as a rule

	called func(place string)
}

// The kinds of thing that happen in a rehearsal.
const (
	Hold  = "hold"  // a hold point: a key press
	Move  = "move"  // a hand moves something, and somebody says so: a key press
	Hand  = "hand"  // a hand moves something, and the supply's current shows it
	Probe = "probe" // probes are moved; the reading takes itself
	Press = "press" // a key press while probing: the touch cannot be felt
	Look  = "look"  // an answer that is the reading: what is marked, seen or heard
)

// An Event is one thing to do, or a step that came of what was done before.
type Event struct {
	Kind    string          `json:"kind,omitempty"`
	Say     string          `json:"say,omitempty"`
	Detail  string          `json:"detail,omitempty"`
	Answers []string        `json:"answers,omitempty"`
	Moves   int             `json:"moves,omitempty"` // probes that are moved
	Step    *procedure.Step `json:"step,omitempty"`
}

// Effort is what a circuit, or the whole, takes.
type Effort struct {
	Circuit string `json:"circuit"`
	Steps   int    `json:"steps"`
	Holds   int    `json:"holds"`   // key presses at hold points
	Looks   int    `json:"looks"`   // answers that are readings
	Presses int    `json:"presses"` // key presses beside hold points
	Moves   int    `json:"moves"`   // probes moved
}

// whyPressed says why a key must be pressed beside hold points, by the kind of
// event.
var whyPressed = []struct{ kind, why string }{
	{Press, "an open or dead point and a probe in the air read the same: a person says that both probes are on"},
	{Move, "a hand that moves something under power, or that no reading shows, says so: the watch and the design values follow the state"},
}

// A Rehearsal is a procedure as it will be.
type Rehearsal struct {
	Aircraft  string   `json:"aircraft"`
	Revision  string   `json:"design_revision"`
	Procedure string   `json:"procedure"`
	Tools     []string `json:"tools"`       // that the script names
	People    int      `json:"people"`      // that the script asks for; 0 if it does not say
	Kit       []string `json:"instruments"` // with their accuracy
	Used      []string `json:"instruments_used"`
	Cautions  []string `json:"cautions"`
	Events    []Event  `json:"events"`
	Effort    Effort   `json:"effort"`
	Circuits  []Effort `json:"circuits"`
	Seconds   float64  `json:"seconds"`      // estimated, by [TimeRule]
	Unproven  []string `json:"not_provable"` // with these instruments
	LeftOut   []string `json:"left_out"`     // not done even with everything right
	Stopped   string   `json:"stopped,omitempty"`

	sheet *procedure.Sheet
}

// What things take, in seconds. Common practice; no published source: a person
// reads an instruction, does it and answers.
const (
	holdSeconds    = 12
	moveSeconds    = 8
	probeSeconds   = 10 // for each probe moved, until it rests
	readingSeconds = 3
)

// TimeRule is how the time is estimated.
const TimeRule = "12 s a hold point, 8 s for a hand's move, 10 s for a probe moved, 3 s a reading; breaks and repairs not counted"

// Run rehearses a procedure. An error is one that the procedure would end with; the
// rehearsal is there as far as it came, then.
func Run(ctx context.Context, o Options) (*Rehearsal, error) {
	m, err := mockup.New(o.Design, o.Planted.Faults(), 0)
	if err != nil {
		return nil, err
	}
	o.Planted.Plant(m)
	dir, err := os.MkdirTemp("", "loomproof-rehearsal-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	book, err := logbook.Open(filepath.Join(dir, "rehearsal.db"))
	if err != nil {
		return nil, err
	}
	defer book.Close()
	sheet, err := book.Begin(ctx, logbook.Opening{
		Procedure: o.Name, Script: string(o.Script), Aircraft: o.Design.Aircraft.Name, Design: o.Design.Text, File: o.Design.File, Revision: o.Design.Revision,
	})
	if err != nil {
		return nil, err
	}
	desk := procedure.NewDesk()
	desk.Settle = 0
	c := &crew{design: o.Design, mockup: m, desk: desk, effort: map[string]*Effort{}}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var hands sync.WaitGroup
	hands.Go(func() { c.work(ctx) })
	p := procedure.Performance{
		Design: o.Design, Sheet: sheet, Name: o.Name, Script: o.Script, Bench: o.Kit.bench(c), Desk: desk,
		Interpreter: o.Interpreter, Called: o.called, Rehearsed: true,
	}
	err = p.Perform(ctx)
	cancel()
	hands.Wait()
	r, failed := c.result(o, sheet)
	return r, errors.Join(err, failed)
}

// A crew does what the desk asks for and counts it.
type crew struct {
	design *design.Design
	mockup *mockup.Mockup
	desk   *procedure.Desk

	mu     sync.Mutex
	events []Event
	steps  int    // of the view that are among the events
	pool   Effort // of what no step has come of yet
	order  []string
	effort map[string]*Effort
	red    string
	black  string
	used   map[string]bool
}

// work answers until the context ends. Nobody else answers, so that nothing is
// asked that is not counted.
func (c *crew) work(ctx context.Context) {
	done := 0
	for {
		var v procedure.View
		if c.desk.Until(ctx, func(x procedure.View) bool { v = x; return x.Now.ID != done && x.Now.Asks() }) != nil {
			return
		}
		done = v.Now.ID
		c.asked(v)
		if !c.mockup.Do(ctx, c.desk, v.Now, mockup.Pace{Answer: true}) {
			return
		}
	}
}

// asked counts a question.
func (c *crew) asked(v procedure.View) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.settle(v.Steps)
	e := Event{Kind: Hold, Say: v.Now.Say, Detail: v.Now.Detail, Answers: v.Now.Answers}
	switch {
	case len(v.Now.Answers) > 1 && v.Now.Kind != procedure.DoProbe, v.Now.Number != "", v.Now.Write != "":
		e.Kind = Look
		c.pool.Looks++
	case v.Now.Kind == procedure.DoProbe:
		e.Kind = Press
		c.pool.Presses++
	case v.Now.Kind == procedure.DoAct:
		if sources(v.Now) {
			c.pool.Holds++ // nothing goes on before a person has said that it is so
			break
		}
		if v.Now.Felt {
			e.Kind, e.Answers = Hand, nil
			break
		}
		e.Kind = Move
		c.pool.Presses++
	default:
		c.pool.Holds++
	}
	c.events = append(c.events, e)
}

// sources tells whether a hand connects or takes off what feeds the aircraft, or the
// units' plugs.
func sources(n procedure.Now) bool {
	return n.Source != "" || n.Action == "plug" || n.Action == "unplug"
}

// probing counts probes that are moved, when the meter is read.
func (c *crew) probing(v procedure.View) (moved bool) {
	n := v.Now
	if n.Kind != procedure.DoProbe {
		return false
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	moves := 0
	if n.Red != c.red {
		moves++
	}
	if n.Black != c.black {
		moves++
	}
	if moves == 0 {
		return false
	}
	c.settle(v.Steps)
	c.red, c.black = n.Red, n.Black
	c.pool.Moves += moves
	c.events = append(c.events, Event{Kind: Probe, Say: n.Say, Detail: n.Detail, Moves: moves})
	return true
}

func (c *crew) use(name string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.used == nil {
		c.used = map[string]bool{}
	}
	c.used[name] = true
}

// settle takes in the steps since it was called last; what was done for them goes
// to the circuit of the first of them.
func (c *crew) settle(steps []procedure.Step) {
	for ; c.steps < len(steps); c.steps++ {
		s := steps[c.steps]
		c.events = append(c.events, Event{Step: &s})
		e := c.effort[s.Circuit]
		if e == nil {
			e = &Effort{Circuit: s.Circuit}
			c.effort[s.Circuit] = e
			c.order = append(c.order, s.Circuit)
		}
		e.Steps++
		e.add(c.pool)
		c.pool = Effort{}
	}
}

func (e *Effort) add(o Effort) {
	e.Holds += o.Holds
	e.Looks += o.Looks
	e.Presses += o.Presses
	e.Moves += o.Moves
}

func (c *crew) result(o Options, w *logbook.Worksheet) (*Rehearsal, error) {
	sheet, err := procedure.Fold(w.Records())
	if err != nil {
		return nil, err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.settle(sheet.Steps)
	said := Declares(o.Script)
	r := &Rehearsal{
		Aircraft: o.Design.Aircraft.Name, Revision: o.Design.Revision, Procedure: o.Name, Tools: said.Tools, People: said.People,
		Kit: o.Kit.words(), Used: []string{}, Cautions: sheet.Cautions, Events: c.events, Stopped: sheet.Stopped, Unproven: []string{}, LeftOut: []string{}, sheet: sheet,
	}
	for _, name := range []string{"meter", "supply", "node"} {
		if c.used[name] {
			r.Used = append(r.Used, name)
		}
	}
	for _, name := range c.order {
		r.Circuits = append(r.Circuits, *c.effort[name])
		r.Effort.add(*c.effort[name])
		r.Effort.Steps += c.effort[name].Steps
	}
	r.Effort.add(c.pool)
	r.Effort.Circuit = "all"
	for _, s := range sheet.Steps {
		switch verdict.Word(s.Verdict) {
		case verdict.Undecided:
			r.Unproven = append(r.Unproven, fmt.Sprintf("%s: %s", s.Title, s.Decide))
		case verdict.NotDone:
			r.LeftOut = append(r.LeftOut, fmt.Sprintf("%s: %s", s.Title, s.Note))
		}
	}
	r.estimate(len(sheet.Captures))
	return r, nil
}

func (r *Rehearsal) estimate(readings int) {
	for _, e := range r.Events {
		switch e.Kind {
		case Hold, Press, Look:
			r.Seconds += holdSeconds
		case Move, Hand:
			r.Seconds += moveSeconds
		}
	}
	r.Seconds += float64(probeSeconds*r.Effort.Moves + readingSeconds*readings)
}

// Verdict is that of the aircraft of the rehearsal: pass, unless the procedure or
// the instruments cannot show that a sound one is sound.
func (r *Rehearsal) Verdict() verdict.Word { return r.sheet.Verdict }

// Time is the estimate as a duration.
func (r *Rehearsal) Time() time.Duration { return time.Duration(r.Seconds) * time.Second }
