package groundrun

import (
	"fmt"
	"math"

	"loomproof/checks/recording"
)

// A frame is what a short stretch of one channel holds, in SI units. A frame
// that a gap reaches into is broken.
type frame struct {
	n              int32
	broken         bool
	ended          bool // a sample stood at the converter's end
	least, most    float64
	mean           float64
	scatter        float64 // standard deviation about the mean
	step           float64 // mean square of the differences of neighbours
	first, elapsed float64
}

// A track is one channel in frames.
type track struct {
	index  int
	ch     recording.Channel
	width  float64 // seconds of a frame
	origin float64
	frames []frame

	samples int64
	ends    int64
	lost    int64
	missing float64 // seconds
	gaps    []recording.Gap
	rate    float64 // samples a second, as they are
}

// mostGaps is how many gaps are told one by one.
const mostGaps = 20

const (
	shortestFrame = 0.1   // seconds
	mostFrames    = 72000 // two hours of the shortest
)

// frameWidth is the length of the frames for channels with rates over a span.
func frameWidth(span, slowest float64) float64 {
	w := math.Max(shortestFrame, span/mostFrames)
	if slowest > 0 {
		w = math.Max(w, 1/slowest)
	}
	return w
}

// reduce reads a channel into frames.
func reduce(r recording.Recording, index int, origin, width float64, count int) (*track, error) {
	t := &track{index: index, ch: r.Channels()[index], width: width, origin: origin, frames: make([]frame, count)}
	var before recording.Block
	var spent float64
	for b, err := range r.Blocks(index, math.Inf(-1), math.Inf(1)) {
		if err != nil {
			return nil, fmt.Errorf("channel %s: %w", t.ch.Name, err)
		}
		if gap, ok := recording.Between(before, b); ok {
			t.miss(gap)
		}
		t.take(b)
		if b.Step > 0 {
			spent += float64(len(b.Codes)) * b.Step
		}
		before = recording.Block{Start: b.Start, Step: b.Step, Codes: b.Codes}
	}
	if spent > 0 {
		t.rate = float64(t.samples) / spent
	} else {
		t.rate = float64(t.samples) / (width * float64(count))
	}
	for i := range t.frames {
		t.frames[i].finish(t.ch)
	}
	return t, nil
}

func (t *track) miss(g recording.Gap) {
	t.lost += g.Lost
	t.missing += g.To - g.From
	if len(t.gaps) < mostGaps {
		t.gaps = append(t.gaps, g)
	}
	for i := t.at(g.From); i <= t.at(g.To) && i < len(t.frames); i++ {
		if i >= 0 {
			t.frames[i].broken = true
		}
	}
}

// at is the frame that a time lies in; it may lie outside.
func (t *track) at(when float64) int { return int(math.Floor((when - t.origin) / t.width)) }

func (t *track) time(i int) float64 { return t.origin + (float64(i)+0.5)*t.width }

// take adds a block, a frame's worth of samples at a time. Until finish the
// fields hold sums of codes: mean their sum, scatter that of their squares less
// the frame's first.
func (t *track) take(b recording.Block) {
	t.samples += int64(len(b.Codes))
	limited := t.ch.Low != t.ch.High
	for i := 0; i < len(b.Codes); {
		k := t.at(b.At(i))
		next := len(b.Codes)
		if b.Step > 0 {
			end := t.origin + float64(k+1)*t.width
			next = min(next, max(i+1, int(math.Ceil((end-b.Start)/b.Step-1e-6))))
		}
		if k < 0 || k >= len(t.frames) {
			i = next
			continue
		}
		f := &t.frames[k]
		part := b.Codes[i:next]
		if f.n == 0 {
			f.first, f.least, f.most = float64(part[0]), float64(part[0]), float64(part[0])
		}
		first := int32(f.first)
		least, most := int32(f.least), int32(f.most)
		var sum, squares, steps int64
		last := part[0]
		for _, c := range part {
			d := int64(c - first)
			sum += d
			squares += d * d
			e := int64(c - last)
			steps += e * e
			last = c
			least, most = min(least, c), max(most, c)
		}
		f.n += int32(len(part))
		f.least, f.most = float64(least), float64(most)
		f.mean += float64(sum)
		f.scatter += float64(squares)
		f.step += float64(steps)
		f.elapsed += float64(len(part) - 1)
		if limited && (least <= t.ch.Low || most >= t.ch.High) {
			f.ended = true
			for _, c := range part {
				if t.ch.AtEnd(c) {
					t.ends++
				}
			}
		}
		i = next
	}
}

// finish turns sums of codes into SI units.
func (f *frame) finish(c recording.Channel) {
	if f.n == 0 {
		return
	}
	n := float64(f.n)
	mean := f.mean / n
	variance := math.Max(0, f.scatter/n-mean*mean)
	f.mean = c.Offset + c.Scale*(f.first+mean)
	f.scatter = c.Scale * math.Sqrt(variance)
	if f.elapsed > 0 {
		f.step = c.Scale * c.Scale * f.step / f.elapsed
	}
	a, b := c.Offset+c.Scale*f.least, c.Offset+c.Scale*f.most
	f.least, f.most = math.Min(a, b), math.Max(a, b)
}

// whole says that a frame has samples and no gap.
func (t *track) whole(i int) bool {
	return t != nil && i >= 0 && i < len(t.frames) && t.frames[i].n > 0 && !t.frames[i].broken
}

// mean is a frame's mean, NaN for one that is not whole.
func (t *track) mean(i int) float64 {
	if !t.whole(i) {
		return math.NaN()
	}
	return t.frames[i].mean
}

// A summary is what a stretch of a track holds.
type summary struct {
	frames      int
	mean        float64
	spread      float64 // standard deviation of the frames' means
	ripple      float64 // root mean square about each frame's mean
	swing       float64 // median over the frames of most less least
	swingU      float64 // standard uncertainty of swing, from its spread over the frames
	noise       float64 // what no two neighbours share: root mean square of their differences over √2
	least, most float64
}

// over sums the whole frames of [from, to) up.
func (t *track) over(from, to float64) summary {
	var s summary
	if t == nil {
		return s
	}
	var means, swings []float64
	var squares, steps float64
	s.least, s.most = math.Inf(1), math.Inf(-1)
	for i := max(0, t.at(from+t.width/2)); i < len(t.frames) && t.time(i) < to; i++ {
		if !t.whole(i) {
			continue
		}
		f := t.frames[i]
		means = append(means, f.mean)
		swings = append(swings, f.most-f.least)
		squares += f.scatter * f.scatter
		steps += f.step
		s.least, s.most = math.Min(s.least, f.least), math.Max(s.most, f.most)
	}
	s.frames = len(means)
	if s.frames == 0 {
		return summary{}
	}
	n := float64(s.frames)
	s.mean, s.spread = meanAndSpread(means)
	s.ripple, s.noise = math.Sqrt(squares/n), math.Sqrt(steps/n/2)
	s.swing = median(swings)
	_, wide := meanAndSpread(swings)
	s.swingU = 1.25 * wide / math.Sqrt(n) // of a median
	return s
}
