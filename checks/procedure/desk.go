package procedure

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"loomproof/checks/airframe"
	"loomproof/checks/logbook"
	"loomproof/checks/units"
	"loomproof/probe"
	typing "loomproof/probe/keyboard"
)

// The kinds of thing to do now.
const (
	DoNothing = "wait"  // the program is at work
	DoHold    = "hold"  // a hold point: somebody must answer
	DoAct     = "act"   // a hand must move something, and somebody answers
	DoProbe   = "probe" // put the probes on two points; the reading takes itself
	DoEnded   = "ended" // the worksheet is closed
)

// What can be asked for in words.
const (
	WriteWords = "words"
	WriteDate  = "date" // as 2026-11-25
)

// Now is the one thing to do.
type Now struct {
	ID       int            `json:"id"` // another number for each thing
	Kind     string         `json:"kind"`
	Say      string         `json:"say"`              // in large letters, and spoken
	Detail   string         `json:"detail,omitempty"` // below it, in small
	Warn     bool           `json:"warn,omitempty"`   // danger: said first and loudest
	Answers  []string       `json:"answers,omitempty"`
	Number   string         `json:"number,omitempty"`  // the unit of a number that is asked for
	Refused  string         `json:"refused,omitempty"` // why what was typed before was not taken
	Write    string         `json:"write,omitempty"`   // what is to be typed in words: [WriteWords] or [WriteDate]
	Least    *float64       `json:"least,omitempty"`   // of that number
	Most     *float64       `json:"most,omitempty"`    // of that number
	What     string         `json:"what,omitempty"`    // of what is looked at, read off or asked for
	Where    string         `json:"where,omitempty"`   // and at which place
	Action   string         `json:"action,omitempty"`  // close, open, on, off, in, out, key, release, feed, unfeed, plug, unplug
	Circuit  string         `json:"circuit,omitempty"` // whose protector or switch
	Source   string         `json:"source,omitempty"`  // which source is connected or taken off
	Red      string         `json:"red,omitempty"`     // terminals for the probes
	Black    string         `json:"black,omitempty"`
	Joined   []string       `json:"joined,omitempty"`   // terminals to tie to black
	Comb     bool           `json:"comb,omitempty"`     // black and what is joined to it are the clips of a comb
	Quantity probe.Quantity `json:"quantity,omitempty"` // that the probes are for
	CanSkip  bool           `json:"can_skip,omitempty"` // it can be left out, for a reason
	Felt     bool           `json:"felt,omitempty"`     // the supply's current answers as the hand moves; a person can, too
	Step     *Step          `json:"step,omitempty"`     // what the reading is for, as far as it is known: the band

	Restore *airframe.State `json:"-"` // what to put the aircraft back to, after a gap
}

// Live is the latest reading while one is being taken.
type Live struct {
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
	Phase string  `json:"phase"` // as package steady names it, or why it was refused
}

// View is all that a screen needs.
type View struct {
	Worksheet int64     `json:"worksheet"`
	Aircraft  string    `json:"aircraft"`
	Procedure string    `json:"procedure"`
	Now       Now       `json:"now"`
	Live      *Live     `json:"live,omitempty"`
	Next      string    `json:"next,omitempty"` // what comes after it if nothing is wrong; "" is not known
	Steps     []Step    `json:"steps"`
	Findings  []Finding `json:"findings"`
	Cautions  []string  `json:"cautions"`
	Verdict   string    `json:"verdict"`
	Circuits  int       `json:"circuits"` // how many are to be checked
	Done      int       `json:"done"`     // and how many have been
	Holder    string    `json:"holder"`   // who answers; "" while nobody has
	ByHand    bool      `json:"by_hand"`  // nothing on the bench can cut the power: it goes off by hand

	Settle time.Duration `json:"-"` // how long what is asked stands before it can be answered
}

// An Answer is a person's word at a hold point.
type Answer struct {
	ID     int     `json:"id"` // of the Now that it answers
	Choice string  `json:"choice"`
	Number float64 `json:"number"`
	Above  bool    `json:"above,omitempty"` // the value is above Number: the largest that the instrument shows
	Text   string  `json:"text,omitempty"`
	By     string  `json:"by"`
	As     string  `json:"as,omitempty"`   // in what capacity
	Take   bool    `json:"take,omitempty"` // takes the probes over from who holds them
}

// Asks tells whether somebody must answer.
func (n Now) Asks() bool { return len(n.Answers) > 0 || n.Number != "" || n.Write != "" }

// ErrAnswered is returned for an answer to something that is no longer asked.
var ErrAnswered = errors.New("that is no longer asked: it was answered already, or the worksheet went on")

// ErrTooSoon is returned for an answer that comes before anybody can have read
// what is asked: a key or a foot switch that bounces.
var ErrTooSoon = errors.New("that came too soon after the question to be an answer: read it, then answer")

// Settle is how long a question stands before it can be answered. The contacts
// of keys and foot switches bounce for some 10 ms, bad ones for 50 ms, and nobody
// answers what appears before the eye in less than about 180 ms (both from
// memory): 150 ms lies between the two.
const Settle = 150 * time.Millisecond

// Surprise is how long a question stands before it can be answered that came up by
// itself, while a person was about to answer the one before it. Common practice;
// no published source.
const Surprise = time.Second

// A Desk is where the person sits. It is for several goroutines: any number
// watch, and the first answer counts.
type Desk struct {
	// Settle is how long a question stands before it can be answered. Nothing is
	// enough where no hand is at a key.
	Settle time.Duration

	mu      sync.Mutex
	view    View
	changed chan struct{} // closed at each change
	answer  chan Answer
	waiting bool
	open    time.Time // when what is waited for can be answered
	moved   time.Time // when the supply's current answered last
	next    int
	ahead   ahead
	holder  string             // who answers: holds the probes
	words   chan Word          // said without being asked
	smoke   func(by string)    // takes the power away; nil when nothing is performed
	sheet   *logbook.Worksheet // that is performed; nil for none
}

// NewDesk makes an empty desk.
func NewDesk() *Desk {
	return &Desk{Settle: Settle, changed: make(chan struct{}), answer: make(chan Answer, 1), words: make(chan Word, 1), view: View{Now: Now{Kind: DoNothing}}}
}

// View is what is to be seen, and a channel that closes when it changes.
func (d *Desk) View() (View, <-chan struct{}) {
	d.mu.Lock()
	defer d.mu.Unlock()
	v := d.view
	v.Steps = slices.Clip(v.Steps) // only ever appended to
	return v, d.changed
}

// Answer gives a person's word. It fails with [ErrAnswered] when nobody asks
// for it any more, with [ErrTooSoon] before it can have been read, with a
// [*HeldError] while somebody else holds the probes, and says what can be answered
// when it fits none.
func (d *Desk) Answer(a Answer) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	now := d.view.Now
	if !d.waiting || a.ID != now.ID {
		return ErrAnswered
	}
	if time.Now().Before(d.open) {
		return ErrTooSoon
	}
	if d.holder != "" && a.By != d.holder && !a.Take {
		return &HeldError{d.holder}
	}
	if err := now.accepts(&a); err != nil {
		return err
	}
	d.waiting = false
	d.holder = a.By
	d.view.Holder = a.By
	d.answer <- a
	return nil
}

// maxWords is how long a typed answer may be, in bytes.
const maxWords = 500

// accepts tells what is wrong with an answer.
func (n Now) accepts(a *Answer) error {
	a.Text = strings.TrimSpace(a.Text)
	switch {
	case math.IsNaN(a.Number) || math.IsInf(a.Number, 0):
		return fmt.Errorf("that is no number")
	case a.Above && n.Number != probe.Resistance.Unit():
		return fmt.Errorf("a value is wanted here, not what it is above: choose a higher range")
	case a.Above && !(a.Number > 0):
		return fmt.Errorf("above what? Type the largest value that the instrument shows, as > 550 M")
	case n.Number != "" && n.Least != nil && a.Number < *n.Least, n.Number != "" && n.Most != nil && a.Number > *n.Most:
		return fmt.Errorf("%s cannot be: %s", units.Format(a.Number, n.Number), n.span())
	case len(n.Answers) > 0 && !slices.Contains(n.Answers, a.Choice):
		return fmt.Errorf("%q is no answer here; the answers are: %q", a.Choice, n.Answers)
	case n.Write != "" && a.Text == "":
		return fmt.Errorf("type an answer first")
	case len(a.Text) > maxWords:
		return fmt.Errorf("that is too long: at most %d characters", maxWords)
	}
	if n.Write == WriteDate {
		if _, err := time.Parse(time.DateOnly, a.Text); err != nil {
			return fmt.Errorf("%q is no date; type it like 2026-11-25", a.Text)
		}
	}
	return nil
}

// span says between what a number must lie.
func (n Now) span() string {
	switch {
	case n.Least == nil:
		return "at most " + units.Format(*n.Most, n.Number)
	case n.Most == nil:
		return "at least " + units.Format(*n.Least, n.Number)
	}
	return units.Format(*n.Least, n.Number) + " to " + units.Format(*n.Most, n.Number)
}

// change alters the view and tells everybody.
func (d *Desk) change(f func(*View)) {
	d.mu.Lock()
	defer d.mu.Unlock()
	f(&d.view)
	close(d.changed)
	d.changed = make(chan struct{})
}

// show puts up the next thing to do.
func (d *Desk) show(n Now) {
	d.change(func(v *View) {
		d.next++
		n.ID = d.next
		v.Now, v.Live, v.Next = n, nil, d.ahead.after(n.Say)
		d.waiting = n.Asks()
		shown := time.Now()
		d.open = d.opens(shown)
		v.Settle = d.open.Sub(shown)
		select {
		case <-d.answer: // nobody waits for that one any more
		default:
		}
	})
}

// opens is when a question that is shown now can be answered.
func (d *Desk) opens(now time.Time) time.Time {
	at := now.Add(d.Settle)
	if surprise := d.moved.Add(Surprise); d.Settle > 0 && surprise.After(at) {
		return surprise
	}
	return at
}

// wentOn is told that no person answered what was shown.
func (d *Desk) wentOn() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.moved = time.Now()
}

// live shows the latest reading.
func (d *Desk) live(l Live) { d.change(func(v *View) { v.Live = &l }) }

// wait waits for the answer to what is shown.
func (d *Desk) wait(ctx context.Context) (Answer, error) {
	select {
	case a := <-d.answer:
		return a, nil
	case <-ctx.Done():
		return Answer{}, context.Cause(ctx)
	}
}

// Until calls f with each view until it returns true or the context ends.
func (d *Desk) Until(ctx context.Context, f func(View) bool) error {
	for {
		v, changed := d.View()
		if f(v) {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// Ask shows a question outside a performance and waits until it is answered.
func (d *Desk) Ask(ctx context.Context, say, answer string) error {
	d.show(Now{Kind: DoHold, Say: say, Answers: []string{answer}})
	_, err := d.wait(ctx)
	d.show(Now{Kind: DoNothing})
	return err
}

// Choose shows a question outside a performance, and gives the answer chosen.
func (d *Desk) Choose(ctx context.Context, n Now) (Answer, error) {
	n.Kind = DoHold
	d.show(n)
	a, err := d.wait(ctx)
	d.show(Now{Kind: DoNothing})
	return a, err
}

// Line asks for a line of text while something else is shown, and shows that
// again when it has come. It is what the source keyboard asks with.
func (d *Desk) Line(ctx context.Context, question string) (string, error) {
	v, _ := d.View()
	n := v.Now
	n.Kind, n.Detail, n.Say = DoHold, n.Say, question
	n.Answers, n.Number, n.Write = nil, "", WriteWords
	if v.Live != nil { // why the last line was refused
		n.Refused = v.Live.Phase
		if _, why, cut := strings.Cut(n.Refused, ": refused, "); cut {
			n.Refused = why
		}
		n.Warn = n.Warn || strings.Contains(n.Refused, typing.Minus)
	}
	d.show(n)
	if v.Live != nil {
		d.live(*v.Live)
	}
	a, err := d.wait(ctx)
	d.show(v.Now)
	return a.Text, err
}

// heed says who takes the power away on the word; nil when nothing is performed.
func (d *Desk) heed(smoke func(by string)) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.smoke = smoke
	select {
	case <-d.words: // said too late
	default:
	}
}
