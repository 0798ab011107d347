package trend

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
)

// A Change is one quantity in two worksheets.
type Change struct {
	ID          string   `json:"id"`
	Circuit     string   `json:"circuit"`
	Title       string   `json:"title"`
	Unit        string   `json:"unit"`
	Before      float64  `json:"before"` // both at the design's conditions
	After       float64  `json:"after"`
	By          float64  `json:"by"`
	U           float64  `json:"u"` // standard uncertainty of the change
	P           float64  `json:"p"` // probability of a change as large or larger by chance alone
	Significant bool     `json:"significant"`
	Worse       bool     `json:"worse"`
	Tags        []string `json:"tags,omitempty"`
	High        *float64 `json:"high"` // its limits now
	Low         *float64 `json:"low"`
}

// A Group is significant changes that share a cause.
type Group struct {
	Cause string   `json:"cause"`
	IDs   []string `json:"ids"`
	Of    int      `json:"of"` // how many comparable quantities hang on it
	Says  string   `json:"says"`
}

// A Lost is a quantity that cannot be compared, and why.
type Lost struct {
	ID    string `json:"id"`
	Title string `json:"title"`
	Why   string `json:"why"`
}

// A Comparison is one worksheet held against an earlier one.
type Comparison struct {
	Before  Worksheet      `json:"before"`
	After   Worksheet      `json:"after"`
	Rate    float64        `json:"rate"` // of false alarms, over all comparisons together
	Changes []Change       `json:"changes"`
	Groups  []Group        `json:"groups"`
	Design  []DesignChange `json:"design_changes"`
	Lost    []Lost         `json:"not_comparable"`
}

// A Worksheet names one.
type Worksheet struct {
	ID       int64   `json:"id"`
	At       string  `json:"at"`
	Revision string  `json:"design_revision"`
	Celsius  float64 `json:"celsius"`
	UCelsius float64 `json:"u_celsius"`
}

func (s *Sheet) named() Worksheet {
	return Worksheet{s.ID, s.At.UTC().Format("2006-01-02"), s.Revision, s.Celsius, s.UCelsius}
}

// Compare holds b, the later worksheet, against a.
func Compare(a, b *Sheet, rate float64) *Comparison {
	c := &Comparison{Before: a.named(), After: b.named(), Rate: rate, Changes: []Change{}, Groups: []Group{}, Design: DesignChanges(a.Design, b.Design), Lost: []Lost{}}
	was := map[string]*Value{}
	for i := range a.Values {
		was[a.Values[i].ID] = &a.Values[i]
	}
	seen := map[string]bool{}
	for i := range b.Values {
		now := &b.Values[i]
		seen[now.ID] = true
		before := was[now.ID]
		if before == nil {
			c.lose(now, "it was not read in the earlier worksheet")
			continue
		}
		if why := apart(before, now); why != "" {
			c.lose(now, why)
			continue
		}
		c.Changes = append(c.Changes, change(before, now))
	}
	for i := range a.Values {
		if !seen[a.Values[i].ID] {
			c.lose(&a.Values[i], "it was not read in the later worksheet")
		}
	}
	p := make([]float64, len(c.Changes))
	for i := range c.Changes {
		p[i] = c.Changes[i].P
	}
	for i, yes := range Holm(p, rate) {
		c.Changes[i].Significant = yes
	}
	slices.SortStableFunc(c.Changes, func(x, y Change) int { return cmp.Compare(x.P, y.P) })
	c.group()
	return c
}

func (c *Comparison) lose(v *Value, why string) {
	c.Lost = append(c.Lost, Lost{v.ID, v.Title, why})
}

// sameDesign is how far two design values may differ and still be one quantity.
const sameDesign = 0.02

// apart says why two values cannot be compared; "" if they can.
func apart(a, b *Value) string {
	switch {
	case a.State != "":
		return "in the earlier worksheet " + a.State
	case b.State != "":
		return "in the later worksheet " + b.State
	case a.Unit != b.Unit:
		return fmt.Sprintf("it was in %s and is in %s", a.Unit, b.Unit)
	case math.Abs(a.design-b.design) > sameDesign*math.Max(math.Abs(a.design), math.Abs(b.design)):
		return "the design has changed there"
	}
	return ""
}

// causes lists what a value shares, in order: the same worksheets must give the
// same bits.
func causes(v *Value) []string { return slices.Sorted(maps.Keys(v.Shared)) }

func change(a, b *Value) Change {
	variance := a.U*a.U + b.U*b.U
	for _, cause := range causes(b) {
		variance += sq(b.Shared[cause] - a.Shared[cause]) // a cause of both acts with the difference
	}
	for _, cause := range causes(a) {
		if _, both := b.Shared[cause]; !both {
			variance += sq(a.Shared[cause])
		}
	}
	c := Change{
		ID: b.ID, Circuit: b.Circuit, Title: b.Title, Unit: b.Unit, Before: a.Value, After: b.Value, By: b.Value - a.Value,
		U: math.Sqrt(variance), Tags: b.Tags, High: b.High, Low: b.Low, P: 1,
	}
	switch {
	case c.U > 0:
		c.P = math.Erfc(math.Abs(c.By) / c.U / math.Sqrt2)
	case c.By != 0:
		c.P = 0
	}
	c.Worse = b.More != 0 && float64(b.More)*c.By > 0
	return c
}

// group puts significant changes together that hang on one thing, the thing that
// covers most first, as long as at least two do and half of all that hang on it.
func (c *Comparison) group() {
	all := map[string]int{}
	for _, x := range c.Changes {
		for _, t := range x.Tags {
			all[t]++
		}
	}
	taken := map[string]bool{}
	for {
		of := map[string][]string{}
		for _, x := range c.Changes {
			if x.Significant && x.Worse && !taken[x.ID] {
				for _, t := range x.Tags {
					of[t] = append(of[t], x.ID)
				}
			}
		}
		best := ""
		for tag, ids := range of {
			if len(ids) < 2 || 2*len(ids) < all[tag] {
				continue
			}
			if best == "" || len(ids) > len(of[best]) || len(ids) == len(of[best]) && (all[tag] < all[best] || all[tag] == all[best] && tag < best) {
				best = tag
			}
		}
		if best == "" {
			return
		}
		for _, id := range of[best] {
			taken[id] = true
		}
		c.Groups = append(c.Groups, Group{
			Cause: best, IDs: of[best], Of: all[best],
			Says: fmt.Sprintf("%d of %d quantities that hang on %s have become worse: look there first.", len(of[best]), all[best], best),
		})
	}
}

// Worse lists the significant changes for the worse, the surest first.
func (c *Comparison) Worse() []Change {
	var out []Change
	for _, x := range c.Changes {
		if x.Significant && x.Worse {
			out = append(out, x)
		}
	}
	return out
}
