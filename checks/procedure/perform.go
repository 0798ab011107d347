package procedure

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
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

// ErrScriptChanged is returned, wrapped, when a worksheet cannot be resumed
// because its script asks for something else than it did.
var ErrScriptChanged = errors.New("the script does not ask what it asked before")

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

// effectError is a failure of the world, not of the script.
type effectError struct{ error }

func (e effectError) Unwrap() error { return e.error }

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

// effect answers a call of the script from the journal, or does it and keeps
// what it brought. result is a pointer to the result's type.
func (p *Performance) effect(call string, args, result any, do func(ctx context.Context) error) error {
	if p.at < len(p.records) {
		found, err := p.replay(call, args, result)
		if found || err != nil {
			return err
		}
	}
	if err := p.bridge(); err != nil {
		return effectError{err}
	}
	if err := p.happen(result, do); err != nil {
		return effectError{err}
	}
	if c := cutOf(result); c != nil && c.Smoke {
		return effectError{p.endForSmoke(*c)}
	}
	// What has been done is kept, even if the stop came meanwhile.
	if _, err := p.Sheet.Append(context.WithoutCancel(p.ctx), kindEffect, effectRecord{call, args, reflect.ValueOf(result).Elem().Interface()}); err != nil {
		return effectError{err}
	}
	return nil
}

// takesCut tells whether an effect is told of a cut. One that only asks is not:
// the next that needs the power is.
func takesCut(call string) bool {
	return call != "hold" && call != "date" && call != "clock" && call != "last" && call != "crept"
}

// cutOf is the cut that an effect ended with; nil if it did not.
func cutOf(result any) *Cut {
	switch r := result.(type) {
	case *outcome:
		return r.Cut
	case *taken:
		return r.Cut
	}
	return nil
}

// replay looks for the next effect in the journal. Records of other kinds in
// between are not the script's; steps and notes are shown again.
func (p *Performance) replay(call string, args, result any) (found bool, err error) {
	for ; p.at < len(p.records); p.at++ {
		r := p.records[p.at]
		if r.Kind != kindEffect {
			p.showAgain(r)
			continue
		}
		var had struct {
			Call   string
			Args   json.RawMessage
			Result json.RawMessage
		}
		if err := r.Decode(&had); err != nil {
			return false, effectError{err}
		}
		if takesCut(had.Call) {
			p.unanswered = nil
		}
		asked, err := json.Marshal(args)
		if err != nil {
			return false, effectError{err}
		}
		if had.Call != call || string(had.Args) != string(asked) {
			return false, effectError{fmt.Errorf("worksheet %d, record %d: %w: it was %s%s, now it is %s%s; begin a new worksheet",
				p.Sheet.ID(), r.Seq, ErrScriptChanged, had.Call, had.Args, call, asked)}
		}
		p.at++
		return true, json.Unmarshal(had.Result, result)
	}
	return false, nil
}

func (p *Performance) showAgain(r logbook.Record) {
	switch r.Kind {
	case kindStep:
		var s Step
		if r.Decode(&s) == nil {
			p.showStep(s)
		}
	case kindNote:
		var n Note
		if r.Decode(&n) == nil {
			p.showNote(n)
		}
	case kindBench:
		p.runs++
	case kindCut:
		var c Cut
		if r.Decode(&c) == nil {
			p.unanswered = &c
		}
	case kindRedo:
		var again Redo
		if r.Decode(&again) == nil {
			p.took(again)
		}
	case kindHands:
		var h Hands
		if r.Decode(&h) == nil {
			p.holder = h.By
		}
	}
}

// bridge is called before the first effect that really happens: it records the
// instruments. After a gap it has a person confirm the state, and restores the supply.
func (p *Performance) bridge() error {
	if p.live {
		return nil
	}
	p.live = true
	if _, err := p.Sheet.Append(p.ctx, kindBench, BenchRecord{p.Bench.Instruments()}); err != nil {
		return err
	}
	p.runs++
	if len(p.records) == 1 {
		return nil // a new worksheet
	}
	if err := p.goOnRecording(); err != nil {
		return err
	}
	if p.unanswered != nil {
		p.state.Sources, p.powered = nil, false
		if p.unanswered.Smoke {
			return p.endForSmoke(*p.unanswered)
		}
	}
	if atRest(p.state) {
		return nil
	}
	return p.restore()
}

// restore has a person put the aircraft as the worksheet left it, and switches
// the supply on again if it was on.
func (p *Performance) restore() error {
	state := p.state.Clone()
	n := Now{
		Kind: DoHold, Restore: &state, Say: "The worksheet goes on. Put the aircraft as it was: " + describe(p.Design, p.state) + ".",
		Detail: "Lift the probes." + p.clipped(), Answers: []string{"It is so"},
	}
	switch {
	case p.powered:
		n.Detail += " The supply comes on when you confirm."
	case len(p.state.Sources) > 0:
		n.Detail += " Breakers and switches first; what feeds it last, plus before minus."
	case p.Bench.Supply != nil:
		n.Detail += " The supply stays off."
	}
	a, err := p.ask(p.ctx, n)
	if err != nil {
		return err
	}
	if p.powered {
		if err := p.drive(p.ctx, true); err != nil {
			return err
		}
	}
	_, err = p.Sheet.Append(p.ctx, kindResume, Resume{a.By, state})
	return err
}

// clipped says where the probe that stays, and the clips of a comb, were at the
// reading before.
func (p *Performance) clipped() string {
	switch at := p.before; {
	case at.Comb && at.section == p.section:
		return fmt.Sprintf(" Black probe on the comb; the comb's clips on the airframe and on: %s.", places(p.Design, at.Joined))
	case at.Black != "" && at.section == p.section:
		return fmt.Sprintf(" Black probe was on %s.", place(p.Design, at.Black))
	}
	return ""
}

// places says terminals in words.
func places(d *design.Design, terminals []string) string {
	said := make([]string, len(terminals))
	for i, t := range terminals {
		said[i] = place(d, t)
	}
	return strings.Join(said, "; ")
}

// atRest tells whether a state is how every aircraft is found: nothing feeds it,
// nothing is closed or on, and every unit is on its plug.
func atRest(s airframe.State) bool {
	return len(s.Sources) == 0 && !s.Unplugged && !anything(s.Closed) && !anything(s.On) && !anything(s.Working)
}

// anything tells whether any of them is true.
func anything(m map[string]bool) bool {
	for _, yes := range m {
		if yes {
			return true
		}
	}
	return false
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

// record keeps something that is not an effect, unless the journal has it.
func (p *Performance) record(kind string, body any) error {
	for ; p.at < len(p.records); p.at++ {
		r := p.records[p.at]
		switch r.Kind {
		case kind:
			p.at++
			p.showAgain(r)
			return nil
		case kindEffect:
			return effectError{fmt.Errorf("worksheet %d, record %d: %w: a %s is missing here; begin a new worksheet", p.Sheet.ID(), r.Seq, ErrScriptChanged, kind)}
		default:
			p.showAgain(r)
		}
	}
	if err := p.bridge(); err != nil {
		return effectError{err}
	}
	if s, ok := body.(Step); ok {
		if had, ok := p.Earlier[s.ID]; ok {
			s.Last = &had
			body = s
		}
	}
	r, err := p.Sheet.Append(context.WithoutCancel(p.ctx), kind, body)
	if err != nil {
		return effectError{err}
	}
	p.showAgain(r)
	return nil
}
