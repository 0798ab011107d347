package report

import (
	"context"
	"errors"
	"fmt"

	"loomproof/checks/faultfind"
	"loomproof/checks/logbook"
	"loomproof/checks/trend"
	"loomproof/dashboard/crept"
	"loomproof/dashboard/why"
)

// A Cause is one explanation of what failed.
type Cause struct {
	Probability float64  `json:"probability"`
	What        string   `json:"what"`
	Hot         string   `json:"hot,omitempty" jsonschema:"description=Set where a joint gets hot at full load."`
	Explains    []string `json:"explains" jsonschema:"description=Ids of steps that a sound aircraft would hardly show, and that this explains."`
	Leaves      []string `json:"leaves" jsonschema:"description=Ids of steps that stay odd with it."`
	Try         []string `json:"try"`
}

// Since is what has crept since an earlier worksheet.
type Since struct {
	Worksheet int64    `json:"worksheet"`
	At        string   `json:"at"`
	Compared  int      `json:"compared"`
	Worse     []string `json:"worse" jsonschema:"description=What has become worse by more than chance, in words; what shares a cause as one."`
	Design    []string `json:"design" jsonschema:"description=What the design has changed since."`
}

// mostCauses is how many explanations a report tells; leastCause the probability
// from which they are.
const (
	mostCauses = 3
	leastCause = 0.05
)

// addCauses explains what failed or is undecided. A worksheet that nothing can be
// made of has none, and the report says why.
func (r *Report) addCauses(w *logbook.Worksheet) {
	r.Causes = []Cause{}
	if r.Count.Fail+r.Count.Undecided == 0 && len(r.Cuts) == 0 {
		return
	}
	found, err := why.New(w, faultfind.Usual())
	switch {
	case errors.Is(err, faultfind.ErrNoReadings):
		return
	case err != nil:
		r.Doubt = err.Error()
		return
	}
	r.Doubt = found.Doubt
	for _, e := range found.Explanations {
		if e.IsSound() {
			continue // that nothing is wrong is no cause
		}
		if len(r.Causes) == mostCauses || e.Probability < leastCause {
			break
		}
		c := Cause{Probability: e.Probability, What: why.Says(e), Explains: orEmpty(e.Explains), Leaves: orEmpty(e.Leaves), Try: []string{}}
		for _, p := range e.Parts {
			c.Try = append(c.Try, p.Try)
		}
		if e.Hot != nil {
			c.Hot = why.HeatSays(*e.Hot)
		}
		r.Causes = append(r.Causes, c)
	}
}

// AddSince adds what has crept since the worksheet before of the same aircraft
// and procedure; without one it adds nothing.
func (r *Report) AddSince(ctx context.Context, book *logbook.Book, w *logbook.Worksheet) error {
	c, err := crept.New(ctx, book, w, nil, trend.UsualRate)
	if errors.Is(err, crept.ErrNoEarlier) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	s := &Since{Worksheet: c.Before.ID, At: c.Before.At, Compared: len(c.Changes), Worse: []string{}, Design: []string{}}
	for _, g := range c.Groups {
		s.Worse = append(s.Worse, g.Says)
	}
	for _, x := range c.Alone() {
		s.Worse = append(s.Worse, fmt.Sprintf("%s (%s)", crept.Says(x), crept.Amount(x)))
	}
	for _, d := range c.Design {
		s.Design = append(s.Design, crept.Redrawn(d))
	}
	r.Since = s
	return nil
}
