package store

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/logbook"
	"loomproof/checks/recording"
	"loomproof/checks/recording/codec"
)

var start = time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)

func newStore(t testing.TB) *Store {
	t.Helper()
	return reopen(t, filepath.Join(t.TempDir(), "logbook.db"))
}

func reopen(t testing.TB, path string) *Store {
	t.Helper()
	book, err := logbook.Open(path)
	require.NoError(t, err)
	t.Cleanup(func() { book.Close() })
	s, err := Open(book)
	require.NoError(t, err)
	return s
}

func channel(name string, rate float64) recording.Channel {
	return recording.Channel{Name: name, Role: recording.BusVolts, Quantity: "voltage", Scale: 0.00125, Offset: 0.5, Rate: rate}
}

// twin writes the same into the store and into memory.
type twin struct {
	t      testing.TB
	w      *Writer
	memory *recording.Memory
}

func newTwin(t testing.TB, s *Store, streams ...Stream) *twin {
	w, err := s.Begin(t.Context(), Opening{Start: start, Title: "a ground run", Streams: streams})
	require.NoError(t, err)
	var all []recording.Channel
	for _, st := range streams {
		all = append(all, st.Channels...)
	}
	return &twin{t, w, recording.NewMemory(start, all...)}
}

func (x *twin) append(stream int, p Piece) {
	require.NoError(x.t, x.w.Append(stream, p))
	st := x.w.streams[stream]
	for i, codes := range p.Codes {
		b := recording.Block{Start: float64(p.Tick) / st.TickHz, Step: float64(p.Period) / st.TickHz, Codes: append([]int32(nil), codes...)}
		require.NoError(x.t, x.memory.Append(st.first+i, b))
	}
}

type sample struct {
	at   int64 // µs
	code int32
}

func samples(t testing.TB, r recording.Recording, channel int, from, to float64) (out []sample) {
	for b, err := range r.Blocks(channel, from, to) {
		require.NoError(t, err)
		for i, code := range b.Codes {
			if at := b.At(i); at >= from && at < to {
				out = append(out, sample{int64(math.Round(at * 1e6)), code})
			}
		}
	}
	return out
}

// random writes pieces with gaps of all lengths, commits and sometimes folds.
func (x *twin) random(r *rand.Rand, pieces int) {
	tick, level := int64(0), 0.0
	meter := int64(0)
	for range pieces {
		n := 1 + r.IntN(3000)
		codes := [][]int32{make([]int32, n), make([]int32, n)}
		for i := range n {
			level += r.NormFloat64()
			codes[0][i], codes[1][i] = int32(level*100), int32(r.IntN(3))
		}
		if r.IntN(4) == 0 {
			tick += 2000 * int64(math.Exp(r.Float64()*12))
		}
		x.append(0, Piece{Tick: tick, Period: 2000, Codes: codes})
		tick += int64(n) * 2000
		for ; meter < tick/2; meter += 100_000 + r.Int64N(900_000) {
			x.append(1, Piece{Tick: meter, Codes: [][]int32{{int32(r.IntN(100_000))}}})
		}
		if r.IntN(3) == 0 {
			require.NoError(x.t, x.w.Commit(x.t.Context()))
		}
	}
}

func streams() []Stream {
	return []Stream{
		{TickHz: 2e6, Channels: []recording.Channel{channel("bus", 1000), channel("load", 1000)}},
		{TickHz: 1e6, Channels: []recording.Channel{channel("meter", 0)}},
	}
}

// Whatever is written comes back, from chunks and tails, live, after a kill and
// after the end, and every view agrees with one made from all samples.
func TestWhatWasCommittedComesBack(t *testing.T) {
	for seed := range uint64(4) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			r := rand.New(rand.NewPCG(seed, 7))
			s := newStore(t)
			x := newTwin(t, s, streams()...)
			x.random(r, 60)
			require.NoError(t, x.w.Commit(t.Context()))
			assert.Zero(t, x.w.Pending())
			x.compare(r, s)                        // live
			x.compare(r, reopen(t, s.book.Path())) // as after a kill: nothing was closed
			x.random2(r)
			require.NoError(t, x.w.Close(t.Context(), "by the test"))
			x.compare(r, s)
			list, err := s.List(t.Context())
			require.NoError(t, err)
			assert.Equal(t, "by the test", list[0].Why)
			assert.Equal(t, []string{"bus", "load", "meter"}, list[0].Channels)
		})
	}
}

// random2 adds a little more, far later.
func (x *twin) random2(r *rand.Rand) {
	x.append(0, Piece{Tick: 1 << 45, Period: 2000, Codes: [][]int32{{1, 2}, {3, 4}}})
	x.append(1, Piece{Tick: 1 << 45, Codes: [][]int32{{int32(r.IntN(9))}}})
}

func (x *twin) compare(r *rand.Rand, s *Store) {
	t := x.t
	got, err := s.Recording(t.Context(), x.w.ID())
	require.NoError(t, err)
	for ch := range x.memory.Channels() {
		require.Equal(t, samples(t, x.memory, ch, math.Inf(-1), math.Inf(1)), samples(t, got, ch, math.Inf(-1), math.Inf(1)))
		from, to := x.memory.Span(ch)
		gotFrom, gotTo := got.Span(ch)
		assert.InDelta(t, from, gotFrom, 1e-6)
		if x.memory.Channels()[ch].Rate > 0 {
			assert.InDelta(t, to, gotTo, 1e-6)
			want, err := recording.Gaps(x.memory, ch, from, to)
			require.NoError(t, err)
			gaps, err := recording.Gaps(got, ch, from, to)
			require.NoError(t, err)
			require.Len(t, gaps, len(want), "gaps are told")
			for i := range want {
				assert.InDelta(t, want[i].From, gaps[i].From, 1e-6)
				assert.Equal(t, want[i].Lost, gaps[i].Lost)
			}
		}
		a := from + r.Float64()*(to-from)
		b := a + r.Float64()*(to-a) + 1e-3
		require.Equal(t, samples(t, x.memory, ch, a, b), samples(t, got, ch, a, b))
		for _, n := range []int{1, 7, 300, 5000} {
			x.compareView(got, ch, from-1, to+1, n)
		}
	}
}

// compareView: all samples are told once, extremes are never lost, and none is
// further from its place than half a bucket.
func (x *twin) compareView(got recording.Recording, ch int, from, to float64, n int) {
	t := x.t
	want, err := x.memory.View(ch, from, to, n)
	require.NoError(t, err)
	view, err := got.View(ch, from, to, n)
	require.NoError(t, err)
	require.Len(t, view, n)
	var count, all int64
	sum, allSum, least, most := 0.0, 0.0, math.Inf(1), math.Inf(-1)
	for i, b := range view {
		w := want[i]
		count, all = count+b.Count, all+w.Count
		sum, allSum = sum+b.Mean*float64(b.Count), allSum+w.Mean*float64(w.Count)
		if b.Count == 0 {
			continue
		}
		least, most = min(least, b.Min), max(most, b.Max)
		near := want[max(0, i-1):min(n, i+2)]
		lo, hi := math.Inf(1), math.Inf(-1)
		for _, w := range near {
			if w.Count > 0 {
				lo, hi = min(lo, w.Min), max(hi, w.Max)
			}
		}
		require.GreaterOrEqual(t, b.Min, lo-1e-9)
		require.LessOrEqual(t, b.Max, hi+1e-9)
		require.True(t, b.Mean >= b.Min-1e-9 && b.Mean <= b.Max+1e-9)
	}
	require.Equal(t, all, count)
	require.InEpsilon(t, allSum, sum, 1e-9)
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, w := range want {
		if w.Count > 0 {
			lo, hi = min(lo, w.Min), max(hi, w.Max)
		}
	}
	require.InDelta(t, lo, least, 1e-9)
	require.InDelta(t, hi, most, 1e-9)
}

// A device whose clock runs 3000 ppm fast, with a line that holds samples up by
// up to 8 ms and never less than 2 ms: the drift is found, and times are right
// to the spread of the earliest arrivals.
func TestTheDevicesClockIsTiedToTheHosts(t *testing.T) {
	s := newStore(t)
	const hz, fast = 2e6, 1.003
	w, err := s.Begin(t.Context(), Opening{Start: start, Streams: []Stream{{Device: "node", TickHz: hz, Channels: []recording.Channel{channel("bus", 200)}}}})
	require.NoError(t, err)
	r := rand.New(rand.NewPCG(1, 1))
	for i := range int64(60 * 200) {
		tick := 7_000_000 + i*10_000
		require.NoError(t, w.Append(0, Piece{Tick: tick, Period: 10_000, Codes: [][]int32{{int32(i)}}}))
		truth := float64(tick)/hz/fast - 3 // host's time of it
		w.Arrived(0, 0, tick, truth+0.002+0.006*r.Float64())
	}
	require.NoError(t, w.Close(t.Context(), ""))
	got, err := s.Recording(t.Context(), w.ID())
	require.NoError(t, err)
	c := got.Channels()[0].Clock
	assert.Equal(t, "node", c.Device)
	assert.InDelta(t, fast-1, c.Drift, 5*c.DriftU)
	assert.Less(t, c.DriftU, 3e-6)
	assert.Less(t, c.Residual, 1e-3)
	from, to := got.Span(0)
	first := 7_000_000/hz/fast - 3
	assert.InDelta(t, first+0.002, from, 5e-4)
	assert.InDelta(t, first+60/fast+0.002, to, 5e-4)
	gaps, err := recording.Gaps(got, 0, math.Inf(-1), math.Inf(1))
	require.NoError(t, err)
	assert.Empty(t, gaps)
}

// A device that restarts begins at tick 0 again; its samples stand later.
func TestErasFollowEachOther(t *testing.T) {
	s := newStore(t)
	w, err := s.Begin(t.Context(), Opening{Start: start, Streams: []Stream{{Device: "node", TickHz: 1000, Channels: []recording.Channel{channel("bus", 1000)}}}})
	require.NoError(t, err)
	for era, at := range []float64{0.5, 10, 31} {
		for i := range int64(3) {
			w.Arrived(0, era, i*100, at+float64(i)*0.1)
			require.NoError(t, w.Append(0, Piece{Era: era, Tick: i * 100, Period: 1, Codes: [][]int32{make([]int32, 100)}}))
			require.NoError(t, w.Commit(t.Context()))
		}
	}
	assert.ErrorContains(t, w.Append(0, Piece{Era: 1, Tick: 900, Period: 1, Codes: [][]int32{{1}}}), "era 1 comes after era 2")
	assert.ErrorContains(t, w.Append(0, Piece{Era: 2, Tick: 299, Period: 1, Codes: [][]int32{{1}}}), "time runs backwards")
	got, err := s.Recording(t.Context(), w.ID())
	require.NoError(t, err)
	gaps, err := recording.Gaps(got, 0, math.Inf(-1), math.Inf(1))
	require.NoError(t, err)
	require.Len(t, gaps, 2)
	assert.InDelta(t, 0.8, gaps[0].From, 1e-9)
	assert.InDelta(t, 10, gaps[0].To, 1e-9)
	assert.EqualValues(t, 9200, gaps[0].Lost)
	assert.Len(t, samples(t, got, 0, 0, 100), 900)
}

func TestMarkersAreKeptInOrder(t *testing.T) {
	s := newStore(t)
	x := newTwin(t, s, streams()...)
	x.w.Mark(recording.Marker{At: 2, Kind: recording.Crank, Text: "crank", By: "keyboard"})
	require.NoError(t, x.w.Commit(t.Context()))
	x.w.Mark(recording.Marker{At: 1, Text: "before"})
	require.NoError(t, x.w.Close(t.Context(), ""))
	got, err := s.Recording(t.Context(), x.w.ID())
	require.NoError(t, err)
	require.Len(t, got.Markers(), 2)
	assert.Equal(t, "before", got.Markers()[0].Text)
	assert.Equal(t, recording.Crank, got.Markers()[1].Kind)
	_, err = s.Recording(t.Context(), 99)
	assert.ErrorIs(t, err, ErrNotFound)
	assert.ErrorContains(t, err, "they go from 1 to 1")
}

// A changed byte is told with its place; nothing else is lost.
func TestDamageIsTold(t *testing.T) {
	s := newStore(t)
	x := newTwin(t, s, streams()[:1]...)
	for i := range int64(4) {
		x.append(0, Piece{Tick: i * chunkScans * 2000, Period: 2000, Codes: [][]int32{make([]int32, chunkScans), make([]int32, chunkScans)}})
	}
	require.NoError(t, x.w.Close(t.Context(), ""))
	_, err := s.db.Exec("UPDATE recording_chunks SET body = x'00' || substr(body, 2) WHERE channel = 0 AND tick = ?", chunkScans*2000)
	require.NoError(t, err)
	got, err := s.Recording(t.Context(), x.w.ID())
	require.NoError(t, err)
	for _, err = range got.Blocks(0, 0, math.Inf(1)) {
		if err != nil {
			break
		}
	}
	assert.ErrorIs(t, err, codec.ErrDamaged)
	assert.ErrorContains(t, err, "channel bus at 16.384 s")
	assert.Len(t, samples(t, got, 0, 33, 100), 4*chunkScans-33000)
	assert.Len(t, samples(t, got, 1, 0, 100), 4*chunkScans)
}

// A commit that fails changes nothing, and may be tried again when there is room.
func TestAFullDiskIsToldAndLosesNothing(t *testing.T) {
	s := newStore(t)
	s.db.SetMaxOpenConns(1) // the limit is the connection's
	x := newTwin(t, s, streams()...)
	r := rand.New(rand.NewPCG(3, 3))
	x.random(r, 20)
	require.NoError(t, x.w.Commit(t.Context()))
	var pages int
	require.NoError(t, s.db.QueryRow("PRAGMA page_count").Scan(&pages))
	limit := func(n int) {
		_, err := s.db.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", n))
		require.NoError(t, err)
	}
	limit(pages)
	kept := x.w.Pending()
	before := samples(t, x.memory, 0, math.Inf(-1), math.Inf(1))
	tick := x.w.streams[0].segments[0].runs[len(x.w.streams[0].segments[0].runs)-1].until()
	for i := range int64(3) {
		codes := make([]int32, chunkScans)
		for k := range codes {
			codes[k] = int32(r.Uint32())
		}
		x.append(0, Piece{Tick: tick + i*chunkScans*2000, Period: 2000, Codes: [][]int32{codes, codes}})
		assert.ErrorContains(t, x.w.Commit(t.Context()), "the disk is full: make room")
	}
	assert.Equal(t, kept+3*2*chunkScans, x.w.Pending())
	got, err := s.Recording(t.Context(), x.w.ID())
	require.NoError(t, err)
	require.Equal(t, before, samples(t, got, 0, math.Inf(-1), math.Inf(1)))
	limit(1 << 30)
	require.NoError(t, x.w.Commit(t.Context()))
	x.compare(r, s)
}

func TestOpeningsThatCannotBe(t *testing.T) {
	s := newStore(t)
	for want, o := range map[string]Opening{
		"at least one channel": {},
		"a name of its own":    {Streams: []Stream{{TickHz: 1, Channels: []recording.Channel{channel("a", 1), channel("a", 1)}}}},
		"a clock":              {Streams: []Stream{{Channels: []recording.Channel{channel("a", 1)}}}},
		"not above 0":          {Streams: []Stream{{TickHz: 1, Channels: []recording.Channel{{Name: "a"}}}}},
	} {
		_, err := s.Begin(context.Background(), o)
		assert.ErrorContains(t, err, want)
	}
}
