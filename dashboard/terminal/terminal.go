// Package terminal is the desk in a terminal: it says what to do, shows
// verdicts as they come, and takes answers from the keyboard.
//
// What is printed goes to people, so it keeps to these rules: plain words,
// meaning never by colour alone, and nothing that redraws when the output is
// not a terminal.
package terminal

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"loomproof/checks/procedure"
	"loomproof/dashboard/band"
	"loomproof/probe/keyboard"
)

// A Terminal shows a desk.
type Terminal struct {
	Desk *procedure.Desk
	Out  io.Writer
	In   io.Reader // answers; nil to only show
	By   string    // who answers here
	As   string    // in what capacity; "" leaves it out

	// Alone, if it is set, is called when something is asked and the keyboard is
	// gone: set it where nobody can answer elsewhere.
	Alone func()

	told  bool   // what can be typed beside answers
	said  string // what stands there last
	noted string // of what kind of step a note was told last
}

// Run shows the desk until the context ends.
func (t *Terminal) Run(ctx context.Context) {
	lines := make(chan string)
	if t.In != nil {
		go readLines(ctx, t.In, lines)
	}
	shown, answered, steps, cautions, gone := 0, 0, 0, 0, false
	var now procedure.Now
	for {
		v, changed := t.Desk.View()
		for ; cautions < len(v.Cautions); cautions++ {
			fmt.Fprintf(t.Out, "\nCAUTION: %s\n", v.Cautions[cautions])
		}
		for ; steps < len(v.Steps); steps++ {
			t.step(v.Steps[steps])
		}
		if v.Now.ID != shown {
			before := now
			shown, now = v.Now.ID, v.Now
			if typed := before.Write != "" && before.Detail == now.Say && !now.Asks(); !typed { // it stands there already
				t.say(now)
			}
		}
		if gone && t.Alone != nil && now.ID != answered && now.Asks() {
			t.Alone()
			return
		}
		select {
		case <-changed:
		case line, ok := <-lines:
			if !ok {
				lines, gone = nil, true // the page may still answer
				continue
			}
			if t.answer(now, line) {
				answered = now.ID
			}
		case <-ctx.Done():
			return
		}
	}
}

func readLines(ctx context.Context, in io.Reader, lines chan<- string) {
	defer close(lines)
	s := bufio.NewScanner(in)
	for s.Scan() {
		select {
		case lines <- s.Text():
		case <-ctx.Done():
			return
		}
	}
}

func (t *Terminal) say(n procedure.Now) {
	if n.Kind == procedure.DoNothing || n.Say == "" {
		return
	}
	mark := ">"
	if n.Warn {
		mark = "!!"
	}
	fmt.Fprintf(t.Out, "\n%s %s\n", mark, n.Say)
	before := t.said
	t.said = n.Say
	if n.Detail != "" && n.Detail != before { // it may stand right above
		fmt.Fprintf(t.Out, "  %s\n", n.Detail)
	}
	if n.Refused != "" {
		fmt.Fprintf(t.Out, "  NOT TAKEN. %s.\n", n.Refused)
	}
	if t.In == nil {
		return
	}
	switch {
	case n.Write == procedure.WriteDate:
		fmt.Fprintf(t.Out, "  Type the date, like 2026-11-25, then enter: ")
	case n.Write != "" && n.Quantity != "":
		t.keys(n)
		fmt.Fprintf(t.Out, "  %s; then enter: ", keyboard.HowShown(n.Quantity))
	case n.Write != "":
		fmt.Fprintf(t.Out, "  Type it, then enter: ")
	case n.Number != "":
		t.keys(n)
		fmt.Fprintf(t.Out, "  %s; then enter: ", keyboard.How(n.Number))
	case len(n.Answers) == 1:
		fmt.Fprintf(t.Out, "  Enter for %q: ", n.Answers[0])
	case len(n.Answers) > 1:
		for i, a := range n.Answers {
			fmt.Fprintf(t.Out, "  %d  %s\n", i+1, a)
		}
		fmt.Fprintf(t.Out, "  Number, or enter for 1: ")
	}
}

// keys names what else can be typed.
func (t *Terminal) keys(n procedure.Now) {
	leave := ""
	if n.CanSkip {
		leave = "skip WHY leaves it out, n/a WHY if there is none; "
	}
	if t.told {
		leave = "skip WHY, n/a WHY, "
		if !n.CanSkip {
			leave = ""
		}
		fmt.Fprintf(t.Out, "  (or: %sredo, smoke, Ctrl-C)\n", leave)
		return
	}
	t.told = true
	fmt.Fprintf(t.Out, "  Or: %sredo does the step before again; smoke; Ctrl-C stops, and the same command goes on later.\n", leave)
}

// answer hands in what was typed; false means that it was no answer.
func (t *Terminal) answer(n procedure.Now, line string) bool {
	line = strings.TrimSpace(line)
	if w, ok := t.word(n, line); ok {
		if err := t.Desk.Say(w); err != nil {
			fmt.Fprintf(t.Out, "  %v\n", err)
		}
		return false
	}
	take := line == "take over"
	if take {
		line = ""
	}
	a := procedure.Answer{ID: n.ID, By: t.By, As: t.As, Take: take}
	switch {
	case n.Write != "":
		a.Text = line
	case n.Number != "":
		var err error
		if a.Number, a.Above, err = keyboard.Asked(line, n.Number); err != nil {
			fmt.Fprintf(t.Out, "  NOT TAKEN. %v: ", err)
			return false
		}
	case len(n.Answers) == 0:
		return false // a reading takes itself
	default:
		i := 1
		if line != "" {
			var err error
			said := slices.IndexFunc(n.Answers, func(answer string) bool { return strings.EqualFold(answer, line) })
			if i, err = strconv.Atoi(line); said >= 0 {
				i = said + 1
			} else if err != nil || i < 1 || i > len(n.Answers) {
				fmt.Fprintf(t.Out, "  %q is not among the answers. %s: ", line, choices(n.Answers))
				return false
			}
		}
		a.Choice = n.Answers[i-1]
	}
	if err := t.Desk.Answer(a); err != nil {
		fmt.Fprintf(t.Out, "  %v\n", err)
		return false
	}
	return true
}

// choices says what can be typed for an answer.
func choices(answers []string) string {
	if len(answers) == 1 {
		return fmt.Sprintf("Press Enter for %q", answers[0])
	}
	return fmt.Sprintf("Type its number, 1 to %d, or press Enter for %q", len(answers), answers[0])
}

// word reads what a person can type without being asked:
//
//	smoke
//	skip REASON, n/a REASON
//	redo, redo STEP
func (t *Terminal) word(n procedure.Now, line string) (w procedure.Word, ok bool) {
	verb, rest, _ := strings.Cut(line, " ")
	w = procedure.Word{ID: n.ID, Reason: rest, By: t.By}
	switch strings.ToLower(verb) {
	case "smoke":
		w.Kind = procedure.WordSmoke
	case "skip":
		w.Kind = procedure.WordSkip
	case "n/a":
		w.Kind = procedure.WordNone
	case "redo":
		w.Kind, w.Step, w.Reason = procedure.WordRedo, t.named(rest), ""
	default:
		return w, false
	}
	reading := n.Quantity != "" // which begins with no word
	return w, n.Write == "" || reading || w.Kind == procedure.WordSmoke
}

// named is the step with an id or a title, or the last that can be done again.
func (t *Terminal) named(step string) string {
	v, _ := t.Desk.View()
	for i := len(v.Steps) - 1; i >= 0; i-- {
		if s := v.Steps[i]; step == "" && s.Again() || step != "" && strings.EqualFold(s.Title, step) {
			return s.ID
		}
	}
	return step
}

func (t *Terminal) step(s procedure.Step) {
	if s.Redo > 0 {
		fmt.Fprintf(t.Out, "  done again:\n")
	}
	if s.Reading == nil {
		fmt.Fprintf(t.Out, "  %-9s %s: %s\n", s.Verdict, s.Title, s.Note)
		return
	}
	b := band.Of(s)
	before := b.Before()
	if before != "" {
		before = "; " + before
	}
	fmt.Fprintf(t.Out, "  %-9s %s %s: %s (%s%s)\n", s.Verdict, b.Letters(24), s.Title, b.Value(), b.Allowed(), before)
	if s.Note != "" && s.What != t.noted { // once, not with each of a hundred
		fmt.Fprintf(t.Out, "            %s\n", s.Note)
		t.noted = s.What
	}
	if s.Decide != "" {
		fmt.Fprintf(t.Out, "            to decide it: %s\n", s.Decide)
	}
}
