package procedure

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"strings"
	"time"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/limits"
	"loomproof/checks/logbook"
	"loomproof/checks/recording/recorder"
	"loomproof/checks/sandbox"
	"loomproof/checks/verdict"
)

// A Performance is one run of a procedure into a worksheet.
type Performance struct {
	Design *design.Design
	Sheet  *logbook.Worksheet
	Name   string // of the procedure
	Script []byte
	Bench  *Bench
	Desk   *Desk

	// Interpreter runs the script: [sandbox.Apart], or nil for [sandbox.Here].
	Interpreter func(context.Context, sandbox.Program) error

	// Earlier holds, by step, what the worksheets before this one found: each step
	// carries its own along.
	Earlier map[string]Earlier

	// Crept names the circuits that have crept in the worksheets before this one,
	// the surest first: what a script asks for first.
	Crept []string

	// Took, if set, is told how long each steady reading took, from its instruction.
	Took func(time.Duration)

	// Passing tells that the logbook goes with the program: what is stopped cannot
	// be gone on with.
	Passing bool

	// Rehearsed says that nothing is real: what may be done only in some minutes of
	// the hour need not wait for them.
	Rehearsed bool

	// Called, if it is there, is told the place in the script of each word that it
	// uses, as file:line:column.
	Called func(place string)

	// Recorder records what a script wants recorded; nil where nothing can.
	Recorder *recorder.Recorder

	// Shortened is the part of the time that a recorded state is really kept up,
	// for an emulated run that need not take as long; 0 is all of it.
	Shortened float64

	recorded  string // title of what is being recorded; "" for nothing
	stretches []Recorded

	limits  *limits.Limits
	watch   *watcher
	ctx     context.Context
	records []logbook.Record // to be replayed
	at      int              // next of them
	live    bool             // something has really happened in this run

	state   airframe.State
	section string // heading of what is being done

	clockTrusted bool      // a person has confirmed the clock
	clockAt      time.Time // and when, if it was in this run

	powered bool
	runs    int    // of the program into this worksheet, counted from 1
	holder  string // who answered last
	last    string // circuit that a hand moved something of last; "" since the power came on

	// A cut that is in the journal without the effect that it stopped: the
	// program was killed in between.
	unanswered *Cut

	resting      resting // zero when nobody knows where the probes are
	before       clip    // where they were at the reading before, also of an earlier run
	reading      map[string]taken
	typed        map[string]readOff     // by the reading's name
	observations map[string]observation // by step
	captures     int
	cuts         []Cut
	steps        []Step
}

// errStopped is how a script ends its worksheet early.
var errStopped = errors.New("the procedure stopped")

// Perform runs the script to its end, from the top or from where an earlier
// run stopped, and closes the worksheet. When it fails, or the context ends,
// the power is cut and the worksheet can be resumed.
func (p *Performance) Perform(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	p.ctx = ctx
	p.limits = limits.New(p.Design)
	p.watch = newWatcher(p.Bench)
	p.records = p.Sheet.Records()
	p.at = 1 // behind the opening
	p.reading, p.typed, p.observations = map[string]taken{}, map[string]readOff{}, map[string]observation{}
	p.state = airframe.State{}.Clone()
	if err := p.Sheet.Check(); err != nil {
		return err
	}
	if p.Sheet.Closed() {
		return fmt.Errorf("worksheet %d is closed; begin a new one", p.Sheet.ID())
	}
	p.begin()
	if len(p.records) > 1 {
		if err := p.cut(); err != nil { // what a killed run left on
			return err
		}
	}
	p.Desk.heed(p.watch.smoke)
	defer p.Desk.heed(nil)
	p.Desk.attend(p.Sheet)
	defer p.Desk.attend(nil)
	watching := make(chan struct{})
	go func() { defer close(watching); p.watch.run(ctx) }()
	err := p.run()
	// Whatever ended the script, the power goes off while it is still watched.
	safe := p.cut()
	cancel()
	<-watching
	p.watch.cutting.Wait()
	if stopped := p.stopRecording(); stopped != nil {
		err = errors.Join(err, stopped)
	}
	if _, kept := p.keepCut(); kept != nil {
		err = errors.Join(err, kept)
	}
	if err == nil || errors.Is(err, errStopped) {
		if kept := p.keepRecordings(context.WithoutCancel(p.ctx)); kept != nil {
			return errors.Join(kept, safe)
		}
		return errors.Join(p.finish(safe), safe)
	}
	return p.stoppedShort(err, safe)
}

// stoppedShort says that a worksheet stands still, whether the power is off, and what
// is to be switched off by hand. safe is what a cut left open; nil for nothing. It
// gives the error to tell.
func (p *Performance) stoppedShort(err, safe error) error {
	said := "Stopped. "
	if p.Bench.Supply != nil {
		said = "Stopped, and the supply confirmed that its output is off. "
	}
	if p.Passing {
		said += "This worksheet is not kept."
	} else {
		said += "The worksheet can be resumed."
	}
	if safe != nil {
		said = "Stopped, and " + safe.Error()
	}
	byHand := ""
	if things := p.byHandNow(); len(things) > 0 { // what a hand has connected feeds on
		byHand = upper(allOff(things))
		said += " " + byHand
	}
	p.Desk.show(Now{Kind: DoEnded, Warn: true, Say: said})
	switch {
	case safe != nil:
		return errors.Join(err, safe)
	case errors.Is(err, context.Canceled) && p.Bench.Supply != nil:
		return fmt.Errorf("the supply confirmed that its output is off (%w)", err)
	case errors.Is(err, context.Canceled) && byHand != "":
		return fmt.Errorf("nothing here switches off what a hand has connected. %s (%w)", byHand, err)
	}
	return err
}

// begin shows the worksheet as it stands.
func (p *Performance) begin() {
	p.Desk.change(func(v *View) {
		*v = View{
			Worksheet: p.Sheet.ID(), Aircraft: p.Design.Aircraft.Name, Procedure: p.Name, Now: v.Now, Holder: v.Holder,
			Steps: []Step{}, Findings: []Finding{}, Cautions: []string{}, Verdict: string(verdict.NotDone), Circuits: len(p.Design.Circuits), ByHand: len(p.Bench.cutters()) == 0,
		}
	})
}

func (p *Performance) run() (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("a mistake in the program, please report it: %v\n%s", r, debug.Stack())
		}
	}()
	interpret := p.Interpreter
	if interpret == nil {
		interpret = sandbox.Here
	}
	return p.scriptError(interpret(p.ctx, sandbox.Program{Name: p.Name + ".star", Text: p.Script, Words: p.builtins()}))
}

// scriptError adds the step to a mistake in the script, which has its place
// already, and gives the plain cause for everything else.
func (p *Performance) scriptError(err error) error {
	var wrong *sandbox.Error
	var cause effectError
	switch {
	case errors.As(err, &cause):
		return cause.error
	case errors.As(err, &wrong) && len(p.steps) > 0:
		return fmt.Errorf("%w (the step before it: %s)", err, p.steps[len(p.steps)-1].ID)
	}
	return err
}

// finish closes the worksheet. safe is what a cut left open; nil for nothing.
func (p *Performance) finish(safe error) error {
	ctx := context.WithoutCancel(p.ctx)
	sheet, err := Fold(p.Sheet.Records())
	if err != nil {
		return err
	}
	sheet.close()
	if _, err := p.Sheet.Append(ctx, logbook.KindClose, map[string]any{"verdict": sheet.Verdict}); err != nil {
		return err
	}
	n := Now{Kind: DoEnded, Say: "Finished: " + string(sheet.Verdict) + ".", Detail: sheet.Summary()}
	if safe != nil {
		n.Warn, n.Say = true, "Finished, and "+safe.Error()
	}
	p.Desk.show(n)
	p.Desk.change(func(v *View) { v.Verdict, v.Findings = string(sheet.Verdict), sheet.Findings })
	return nil
}

// cut takes the power away; the error says what to switch off by hand.
func (p *Performance) cut() error {
	if done, failed := p.Bench.Cut(); p.Bench.mayBeOn(done, failed) {
		return fmt.Errorf("the power may still be on, switch it off by hand: %s", strings.Join(failed, "; "))
	}
	return nil
}

// ask shows a hold point and waits for the word.
func (p *Performance) ask(ctx context.Context, n Now) (Answer, error) {
	p.Desk.show(n)
	a, err := p.Desk.wait(ctx)
	p.Desk.show(Now{Kind: DoNothing})
	if err == nil && a.By != p.holder {
		_, err = p.Sheet.Append(context.WithoutCancel(p.ctx), kindHands, Hands{a.By, a.As, p.holder})
		p.holder = a.By
	}
	return a, err
}

func (p *Performance) showStep(s Step) {
	p.steps = append(p.steps, s)
	p.showSteps(s)
}

// showSteps shows a step that is new, or read again.
func (p *Performance) showSteps(s Step) {
	found := findings(p.Design, p.steps)
	circuits := map[string]bool{}
	for _, s := range p.steps {
		if k := p.Design.Circuit(s.Circuit); k != nil && !k.Feeder {
			circuits[s.Circuit] = true
		}
	}
	p.Desk.change(func(v *View) {
		v.Steps = append(v.Steps, s)
		v.Findings = found
		v.Done = len(circuits)
		v.Verdict = string(worst(p.steps))
	})
}

func (p *Performance) showNote(n Note) {
	if n.Caution {
		p.Desk.change(func(v *View) { v.Cautions = append(v.Cautions[:len(v.Cautions):len(v.Cautions)], n.Said()) })
	}
}
