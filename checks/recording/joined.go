package recording

import (
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"time"
)

// Join makes one recording of several that follow each other, with the same
// channels by name: those of a worksheet that was killed and gone on with. What lies
// between them is a gap. Times count from the start of the first.
func Join(list ...Recording) (Recording, error) {
	if len(list) == 0 {
		return nil, errors.New("there is no recording")
	}
	if len(list) == 1 {
		return list[0], nil
	}
	j := &joined{list: list}
	for i, r := range list {
		same := slices.EqualFunc(r.Channels(), list[0].Channels(), func(a, b Channel) bool {
			return a.Name == b.Name && a.Role == b.Role && a.Scale == b.Scale && a.Offset == b.Offset
		})
		if !same {
			return nil, fmt.Errorf("part %d of the recording has other channels than the first", i+1)
		}
		j.after = append(j.after, r.Start().Sub(list[0].Start()).Seconds())
		for _, m := range r.Markers() {
			m.At += j.after[i]
			j.markers = append(j.markers, m)
		}
	}
	return j, nil
}

type joined struct {
	list    []Recording
	after   []float64 // seconds from the first one's start to each one's
	markers []Marker
}

func (j *joined) Start() time.Time    { return j.list[0].Start() }
func (j *joined) Channels() []Channel { return j.list[0].Channels() }
func (j *joined) Markers() []Marker   { return j.markers }

func (j *joined) Span(channel int) (from, to float64) {
	from, to = math.Inf(1), math.Inf(-1)
	for i, r := range j.list {
		if f, t := r.Span(channel); t > f {
			from, to = min(from, f+j.after[i]), max(to, t+j.after[i])
		}
	}
	if from > to {
		return 0, 0
	}
	return from, to
}

func (j *joined) Blocks(channel int, from, to float64) iter.Seq2[Block, error] {
	return func(yield func(Block, error) bool) {
		for i, r := range j.list {
			for b, err := range r.Blocks(channel, from-j.after[i], to-j.after[i]) {
				b.Start += j.after[i]
				if !yield(b, err) {
					return
				}
			}
		}
	}
}

func (j *joined) View(channel int, from, to float64, n int) ([]Bucket, error) {
	out := make([]Bucket, n)
	for i, r := range j.list {
		part, err := r.View(channel, from-j.after[i], to-j.after[i], n)
		if err != nil {
			return nil, err
		}
		for k, b := range part {
			had := &out[k]
			had.From, had.To = b.From+j.after[i], b.To+j.after[i]
			switch {
			case b.Count == 0:
			case had.Count == 0:
				had.Count, had.Min, had.Max, had.Mean = b.Count, b.Min, b.Max, b.Mean
			default:
				n := had.Count + b.Count
				had.Min, had.Max = min(had.Min, b.Min), max(had.Max, b.Max)
				had.Mean = (had.Mean*float64(had.Count) + b.Mean*float64(b.Count)) / float64(n)
				had.Count = n
			}
		}
	}
	return out, nil
}
