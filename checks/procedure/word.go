package procedure

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// What a person can say without being asked.
const (
	WordSmoke = "smoke"          // smoke, smell, heat: the power goes off at once
	WordSkip  = "skip"           // leave this out, for a reason
	WordNone  = "not applicable" // there is no such thing on this aircraft
	WordRedo  = "redo"           // read, look at or ask for a step once more
)

// A Word is something that a person says without being asked.
type Word struct {
	Kind   string `json:"kind"`
	ID     int    `json:"id,omitempty"`   // of the Now that is to be left out
	Step   string `json:"step,omitempty"` // which is to be done again
	Reason string `json:"reason,omitempty"`
	By     string `json:"by"`
}

// ErrNothing is returned for a word where nothing is being performed.
var ErrNothing = errors.New("nothing is being performed")

// Say gives a word to the performance. Smoke is never refused while one runs;
// the others are, with the reason, where they do not fit.
func (d *Desk) Say(w Word) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	w.Reason = strings.TrimSpace(w.Reason)
	if d.smoke == nil {
		return ErrNothing
	}
	switch w.Kind {
	case WordSmoke:
		d.smoke(w.By)
		return nil
	case WordSkip, WordNone:
		switch {
		case w.ID != d.view.Now.ID:
			return ErrAnswered
		case !d.view.Now.CanSkip:
			return fmt.Errorf("this cannot be left out")
		case w.Reason == "":
			return fmt.Errorf("say why it is left out")
		}
	case WordRedo:
		if !slices.ContainsFunc(d.view.Steps, func(s Step) bool { return s.ID == w.Step && s.Again() }) {
			return fmt.Errorf("%q is no step that was read, seen or marked; what was worked out of readings follows from them", w.Step)
		}
	default:
		return fmt.Errorf("%q is no word here; the words are smoke, skip, not applicable and redo", w.Kind)
	}
	if d.holder != "" && w.By != d.holder {
		return &HeldError{d.holder}
	}
	select {
	case d.words <- w:
		return nil
	default:
		return fmt.Errorf("one thing at a time: the word before this one is still being heeded")
	}
}

// A HeldError is returned to one person's answer while another holds the probes.
type HeldError struct{ By string }

func (e *HeldError) Error() string {
	return e.By + " holds the probes and answers; take over first, when you have agreed on it"
}

// errWord is why an effect stopped short: a person said something.
var errWord = errors.New("a person said something")

// heed gives a context that ends when a person says something or the watch cuts.
// stop ends it and tells the word, nil if there was none.
func (p *Performance) heed() (ctx context.Context, stop func() *Word) {
	ctx, cancel := context.WithCancelCause(p.ctx)
	_, tripped := p.watch.state()
	heard := make(chan *Word, 1)
	go func() {
		select {
		case w := <-p.Desk.words:
			cancel(errWord)
			heard <- &w
		case <-tripped:
			cancel(errTripped)
			heard <- nil
		case <-ctx.Done():
			heard <- nil
		}
	}()
	return ctx, func() *Word {
		cancel(context.Canceled)
		if w := <-heard; w != nil {
			return w
		}
		select {
		case w := <-p.Desk.words: // said just as it ended: it was meant for this, not for what comes next
			return &w
		default:
			return nil
		}
	}
}

// A leaver is the result of an effect that can be left out.
type leaver interface{ leaveOut(why string) }

func (o *outcome) leaveOut(why string) { *o = outcome{Skipped: why} }

func (t *taken) leaveOut(why string) { *t = taken{Skipped: why} }

// why is a word's reason as the worksheet keeps it.
func (w Word) why() string {
	kind := "left out"
	if w.Kind == WordNone {
		kind = WordNone
	}
	return fmt.Sprintf("%s: %s (%s)", kind, w.Reason, w.By)
}

// happen does an effect for the first time, and heeds what is said meanwhile.
func (p *Performance) happen(result any, do func(ctx context.Context) error) error {
	for {
		ctx, stop := p.heed()
		err := do(ctx)
		word := stop()
		switch {
		case word != nil && word.Kind == WordRedo:
			if again := p.redo(*word); again != nil {
				return again
			}
			if err == nil {
				return nil
			}
		case err == nil:
			return nil
		case word != nil:
			if l, ok := result.(leaver); ok {
				l.leaveOut(word.why())
				return p.settled()
			}
		case p.tripped(err):
			if err := p.interrupted(); err != nil {
				return err
			}
		default:
			return err
		}
	}
}

// settled sets the watch for the state that holds after something was left out.
func (p *Performance) settled() error {
	if err := p.arm(""); err != nil {
		return err
	}
	return p.armNode(p.state)
}
