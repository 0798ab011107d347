package procedure

import (
	"fmt"
	"reflect"
	"strings"
	"time"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/verdict"
)

// A Sheet is a worksheet's records as a person reads them.
type Sheet struct {
	Opening     logbook.Opening
	Design      *design.Design
	Begun       time.Time
	Ended       time.Time // of the last record so far
	Closed      bool
	Instruments []Instrument
	Cautions    []string
	Notes       []string // remarks that were kept
	Rows        []Row    // of tables, in order
	Steps       []Step
	Captures    map[string]Captured
	Cuts        []Cut
	Recordings  []Recorded // in the order in which they were begun
	Resumes     []Resume
	Gaps        []Gap    // when the program was not there
	Superseded  []Step   // readings that were taken again later
	Hands       []Hands  // who held the probes, in turn
	People      []string // who answered
	Findings    []Finding
	Verdict     verdict.Word
	Stopped     string // why it ended early; "" if it did not
	LastHash    string

	lastAt  time.Time // of the record before
	benches int       // how often the program took the worksheet up
}

// clockPlay is how far a clock that is being trimmed may step back without a word.
const clockPlay = time.Second

// A Gap is a time between two runs of the program, or a step back of the clock.
// The order of a worksheet is that of its records, whatever the clock says.
type Gap struct {
	At        time.Time     // when it went on
	For       time.Duration // since the last record before; below 0 the clock was set back
	Running   bool          // the clock was set back while the program ran
	Confirmed string        // who confirmed the state of the aircraft; "" where nothing was on
}

// Fold turns the records of a worksheet into a Sheet. It needs nothing else.
func Fold(records []logbook.Record) (*Sheet, error) {
	if len(records) == 0 || records[0].Kind != logbook.KindOpen {
		return nil, fmt.Errorf("the worksheet does not begin with its opening record")
	}
	s := &Sheet{Captures: map[string]Captured{}, Begun: records[0].At}
	if err := records[0].Decode(&s.Opening); err != nil {
		return nil, err
	}
	d, err := design.Parse(s.Opening.File, []byte(s.Opening.Design))
	if err != nil {
		return nil, fmt.Errorf("the design in the worksheet: %w", err)
	}
	s.Design = d
	if s.Opening.After != "" {
		s.Notes = append(s.Notes, s.Opening.After)
	}
	for _, r := range records {
		if err := s.add(r); err != nil {
			return nil, err
		}
	}
	s.Findings = append(findings(d, s.Steps), cutFindings(d, s.Cuts, s.Steps)...)
	s.judge()
	return s, nil
}

func (s *Sheet) add(r logbook.Record) error {
	defer func(at time.Time) { s.lastAt = at }(r.At)
	if back := r.At.Sub(s.lastAt); back < -clockPlay && r.Kind != kindBench {
		s.Gaps = append(s.Gaps, Gap{At: r.At, For: back, Running: true})
	}
	s.LastHash = r.Hash
	if !s.Closed { // sign-offs come later
		s.Ended = r.At
	}
	switch r.Kind {
	case kindStep:
		return decodeInto(r, &s.Steps)
	case kindCut:
		return decodeInto(r, &s.Cuts)
	case kindResume:
		if err := decodeInto(r, &s.Resumes); err != nil {
			return err
		}
		if n := len(s.Gaps); n > 0 && !s.Gaps[n-1].Running {
			s.Gaps[n-1].Confirmed = s.Resumes[len(s.Resumes)-1].By
		}
	case kindHands:
		return decodeInto(r, &s.Hands)
	case KindRecording:
		var x Recorded
		err := r.Decode(&x)
		s.Recordings = withRecorded(s.Recordings, x)
		return err
	case kindRedo:
		var again Redo
		err := r.Decode(&again)
		s.redone(again)
		return err
	case kindBench:
		var b BenchRecord
		err := r.Decode(&b)
		if s.benches++; s.benches > 1 {
			s.Gaps = append(s.Gaps, Gap{At: r.At, For: r.At.Sub(s.lastAt)})
		}
		for _, i := range b.Instruments {
			s.instrument(i)
		}
		return err
	case kindNote:
		var n Note
		err := r.Decode(&n)
		switch {
		case n.Caution:
			s.Cautions = append(s.Cautions, n.Said())
		case n.Stop:
			s.Stopped = n.Text
		case n.Section: // its steps name it
		case n.Row != nil:
			s.Rows = append(s.Rows, *n.Row)
		default:
			s.Notes = append(s.Notes, n.Text)
		}
		return err
	case kindEffect:
		var e struct {
			Result struct {
				By       string
				Captured *Captured
			}
		}
		err := r.Decode(&e)
		if c := e.Result.Captured; c != nil {
			s.Captures[c.ID] = *c
		}
		s.person(e.Result.By)
		return err
	case logbook.KindClose:
		s.Closed = true
	}
	return nil
}

// redone puts a step that was read again in the place of the one before.
func (s *Sheet) redone(again Redo) {
	for _, c := range again.Captured {
		s.Captures[c.ID] = c
	}
	for i := range s.Steps {
		if s.Steps[i].ID == again.Step.ID {
			s.Superseded = append(s.Superseded, s.Steps[i])
			s.Steps[i] = again.Step
		}
	}
	s.person(again.By)
}

// Latest leaves out of a desk's steps those that were read again later.
func Latest(steps []Step) []Step {
	newest := map[string]int{}
	for i, s := range steps {
		newest[s.ID] = i
	}
	var out []Step
	for i, s := range steps {
		if newest[s.ID] == i {
			out = append(out, s)
		}
	}
	return out
}

func decodeInto[T any](r logbook.Record, list *[]T) error {
	var v T
	err := r.Decode(&v)
	*list = append(*list, v)
	return err
}

// instrument adds one, unless it is there. The same instrument may come back on
// another port; another one may stand in for it after a gap, and then both have
// given readings.
func (s *Sheet) instrument(i Instrument) {
	for n, had := range s.Instruments {
		had.Identity.Port = i.Identity.Port
		if reflect.DeepEqual(had, i) {
			s.Instruments[n] = i
			return
		}
	}
	s.Instruments = append(s.Instruments, i)
}

func (s *Sheet) person(name string) {
	for _, p := range s.People {
		if p == name {
			return
		}
	}
	if name != "" {
		s.People = append(s.People, name)
	}
}

// worst is the verdict of all steps. A step that was left out for a stated
// reason does not spoil it: the report lists it as not done. One that no
// instrument on the bench could prove, or that the procedure is there for, does:
// then the whole is not done.
func worst(steps []Step) verdict.Word {
	var words []verdict.Word
	unproven := false
	for _, s := range steps {
		unproven = unproven || s.Unproven
		if w := verdict.Word(s.Verdict); w != verdict.NotDone {
			words = append(words, w)
		}
	}
	w := verdict.Worst(words...)
	if unproven && w == verdict.Pass {
		return verdict.NotDone
	}
	return w
}

// judge is the verdict of the sheet: the worst of its steps, never better than
// fail when the watch cut the power, and not done while it is open or when it
// was stopped early.
func (s *Sheet) judge() {
	s.Verdict = worst(s.Steps)
	if len(s.Cuts) > 0 {
		s.Verdict = verdict.Fail
	}
	if (!s.Closed || s.Stopped != "") && s.Verdict == verdict.Pass {
		s.Verdict = verdict.NotDone
	}
}

// close takes the sheet as closed, which it is about to be.
func (s *Sheet) close() {
	s.Closed = true
	s.judge()
}

// Count is how many steps have a verdict.
func (s *Sheet) Count(w verdict.Word) int {
	n := 0
	for _, step := range s.Steps {
		if step.Verdict == string(w) {
			n++
		}
	}
	return n
}

// Summary is the outcome in one line.
func (s *Sheet) Summary() string {
	parts := []string{fmt.Sprintf("%d steps", len(s.Steps))}
	for _, w := range []verdict.Word{verdict.Pass, verdict.Fail, verdict.Undecided, verdict.NotDone} {
		if n := s.Count(w); n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, w))
		}
	}
	return strings.Join(parts, ", ")
}

// CircuitVerdict is the worst verdict of a circuit's steps; it is no pass for one
// that was switched on last when the power was cut.
func (s *Sheet) CircuitVerdict(circuit string) verdict.Word {
	var of []Step
	for _, step := range s.Steps {
		if step.Circuit == circuit {
			of = append(of, step)
		}
	}
	w := worst(of)
	for _, c := range s.Cuts {
		if w == verdict.Pass && (c.Circuit == circuit || c.Before == circuit) {
			return verdict.NotDone
		}
	}
	return w
}
