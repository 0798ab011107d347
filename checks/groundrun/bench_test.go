package groundrun

import (
	"fmt"
	"iter"
	"math"
	"runtime"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/mockup/charging"
	"loomproof/checks/recording"
)

// A lengthened recording is a short one whose steady stretch, from held to
// held+turn seconds, comes again and again. It holds no more than the short one.
type lengthened struct {
	recording.Recording
	codes      [][]int32
	held, turn float64
	seconds    float64
}

func lengthen(t testing.TB, seconds, rate float64) *lengthened {
	t.Helper()
	l := &lengthened{held: 44, turn: 4, seconds: seconds}
	c := charging.MarshHen()
	c.Step = 100e-6
	run, err := charging.New(c).Record(charging.GroundRun(), 96, charging.Taps(rate)...)
	require.NoError(t, err)
	l.Recording = run
	for channel := range run.Channels() {
		var codes []int32
		for b, err := range run.Blocks(channel, math.Inf(-1), math.Inf(1)) {
			require.NoError(t, err)
			codes = append(codes, b.Codes...)
		}
		l.codes = append(l.codes, codes)
	}
	return l
}

func (l *lengthened) Markers() []recording.Marker { return nil }
func (l *lengthened) Span(int) (from, to float64) { return 0, l.seconds }
func (l *lengthened) rate(channel int) float64    { return l.Channels()[channel].Rate }
func (l *lengthened) View(int, float64, float64, int) ([]recording.Bucket, error) {
	return nil, assert.AnError
}

// source is the short run's sample that stands at a sample of the long one.
func (l *lengthened) source(i int, rate float64) int {
	head, turn, tail := int(l.held*rate), int(l.turn*rate), int((96-l.held-l.turn)*rate)
	switch left := int(l.seconds*rate) - i; {
	case i < head:
		return i
	case left <= tail:
		return int(96*rate) - left
	}
	return head + (i-head)%turn
}

func (l *lengthened) Blocks(channel int, from, to float64) iter.Seq2[recording.Block, error] {
	return func(yield func(recording.Block, error) bool) {
		const size = 8192
		rate := l.rate(channel)
		codes := make([]int32, size)
		all := int(l.seconds * rate)
		for i := max(0, int(math.Max(0, from)*rate)); i < all && float64(i)/rate < to; i += size {
			n := min(size, all-i)
			for k := range n {
				codes[k] = l.codes[channel][min(len(l.codes[channel])-1, l.source(i+k, rate))]
			}
			if !yield(recording.Block{Start: float64(i) / rate, Step: 1 / rate, Codes: codes[:n]}, nil) {
				return
			}
		}
	}
}

// An hour, and ten, of three channels at 1 kHz: the aim is under 3 s for the hour,
// with memory that does not grow with length. The time includes making the samples.
func BenchmarkAnalyse(b *testing.B) {
	for _, hours := range []float64{1, 10} {
		b.Run(fmt.Sprintf("%gh", hours), func(b *testing.B) {
			l := lengthen(b, hours*3600, 1000)
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Analyse(l, Options{}); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(3*hours*3.6e6), "ns/sample")
		})
	}
}

// What Analyse holds at once does not grow with the recording.
func TestMemoryDoesNotGrowWithLength(t *testing.T) {
	peak := func(hours float64) float64 {
		l := lengthen(t, hours*3600, 200)
		runtime.GC()
		var before runtime.MemStats
		runtime.ReadMemStats(&before)
		most := uint64(0)
		w := watched{l, func() {
			runtime.GC() // what is held, not what is yet to be swept up
			var now runtime.MemStats
			runtime.ReadMemStats(&now)
			most = max(most, now.HeapAlloc)
		}}
		_, err := Analyse(w, Options{})
		require.NoError(t, err)
		return float64(most-before.HeapAlloc) / 1e6
	}
	two, three := peak(2), peak(3)
	t.Logf("peak of the heap: %.0f MB for two hours, %.0f MB for three", two, three)
	assert.Less(t, three, 1.2*two+3)
}

// watched calls see now and then while it is read.
type watched struct {
	*lengthened
	see func()
}

func (w watched) Blocks(channel int, from, to float64) iter.Seq2[recording.Block, error] {
	return func(yield func(recording.Block, error) bool) {
		i := 0
		for b, err := range w.lengthened.Blocks(channel, from, to) {
			if i++; i%20 == 0 {
				w.see()
			}
			if !yield(b, err) {
				return
			}
		}
	}
}
