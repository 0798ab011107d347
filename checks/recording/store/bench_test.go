//go:build unix

package store

import (
	"database/sql"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"github.com/klauspost/compress/zstd"
	"github.com/stretchr/testify/require"

	"loomproof/checks/recording"
	"loomproof/checks/recording/codec"
	"loomproof/checks/recording/tables"
)

// A groundRun makes what a node sees of a charging system for as long as one
// likes: a 14 V bus with a crank, regulator steps, load steps, aliased ripple and
// noise of 3 mV, the battery's current with noise of 30 mA, and a temperature that
// creeps, all at 1 kHz, in steps of a 16-bit monitor (1.25 mV, 10 mA, 0.1 °C).
type groundRun struct {
	r *rand.Rand
	i int64
}

func (g *groundRun) scans(n int) [][]int32 {
	out := [][]int32{make([]int32, n), make([]int32, n), make([]int32, n)}
	for k := range n {
		t := float64(g.i) / 1000
		minute := math.Mod(t, 1200)
		bus, amps := 12.7, -2.0
		switch {
		case minute > 5 && minute < 7:
			bus, amps = 10.4+0.4*math.Sin(2*math.Pi*9*t), -140+15*math.Sin(2*math.Pi*9*t)
		case minute >= 7:
			charge := math.Exp(-(minute - 7) / 300)
			bus, amps = 14.2-0.4*charge, 30*charge+1
			if math.Mod(minute, 100) > 60 {
				bus, amps = bus-0.15, amps-6
			}
			ripple := math.Sin(2 * math.Pi * 113.7 * t)
			bus += 0.03 * ripple
			amps += 0.4 * ripple
		}
		out[0][k] = int32(math.Round((bus + g.r.NormFloat64()*0.003) / 0.00125))
		out[1][k] = int32(math.Round((amps + g.r.NormFloat64()*0.03) / 0.01))
		out[2][k] = int32(math.Round((20 + 40*(1-math.Exp(-minute/400)) + g.r.NormFloat64()*0.05) / 0.1))
		g.i++
	}
	return out
}

func groundRunStream() Stream {
	return Stream{Device: "node", TickHz: 2e6, Channels: []recording.Channel{
		{Name: "bus", Quantity: "voltage", Scale: 0.00125, Rate: 1000},
		{Name: "battery", Quantity: "current", Scale: 0.01, Rate: 1000},
		{Name: "regulator", Quantity: "temperature", Scale: 0.1, Rate: 1000},
	}}
}

// record writes so many seconds of a ground run, with a commit for each 250 ms, or
// each chunk where it need not be as on a ground run.
func record(t testing.TB, s *Store, seconds int, every int) *Recording {
	w, err := s.Begin(t.Context(), Opening{Start: start, Streams: []Stream{groundRunStream()}})
	require.NoError(t, err)
	g := groundRun{r: rand.New(rand.NewPCG(1, 1))}
	for done := 0; done < seconds*1000; done += every {
		require.NoError(t, w.Append(0, Piece{Tick: int64(done) * 2000, Period: 2000, Codes: g.scans(min(every, seconds*1000-done))}))
		require.NoError(t, w.Commit(t.Context()))
	}
	require.NoError(t, w.Close(t.Context(), ""))
	r, err := s.Recording(t.Context(), w.ID())
	require.NoError(t, err)
	return r
}

// floor is the fewest bytes a sample that a linear predictor up to order 8, fitted
// to each stretch by least squares, with an ideal coder of its residuals' empirical
// frequencies could do with: tables and coefficients cost it nothing.
func floor(values []int32, stretch int) float64 {
	bits := 0.0
	for from := 0; from < len(values); from += stretch {
		part := values[from:min(from+stretch, len(values))]
		best := math.Inf(1)
		for order := 0; order <= 8; order++ {
			best = min(best, residualEntropy(part, order)*float64(len(part)))
		}
		bits += best
	}
	return bits / 8 / float64(len(values))
}

// residualEntropy fits x[n] by a constant and order values before it, by the normal
// equations, and gives the entropy of the rounded residuals in bits a value.
func residualEntropy(x []int32, order int) float64 {
	mean := 0.0
	for _, v := range x {
		mean += float64(v) / float64(len(x))
	}
	k := order + 1
	a := make([][]float64, k)
	for i := range a {
		a[i] = make([]float64, k+1)
	}
	row := make([]float64, k+1)
	fill := func(n int) {
		row[0] = 1
		for i := 1; i <= order; i++ {
			row[i] = float64(x[n-i]) - mean
		}
		row[k] = float64(x[n]) - mean
	}
	for n := order; n < len(x); n++ {
		fill(n)
		for i := range k {
			for j := range k + 1 {
				a[i][j] += row[i] * row[j]
			}
		}
	}
	for i := range k {
		a[i][i] += 1e-9 * (1 + a[i][i])
	}
	for i := range k { // Gauss and Jordan
		for j := range k {
			if j == i {
				continue
			}
			f := a[j][i] / a[i][i]
			for c := i; c <= k; c++ {
				a[j][c] -= f * a[i][c]
			}
		}
	}
	count := map[int64]int{}
	for n := order; n < len(x); n++ {
		fill(n)
		expected := mean
		for i := range k {
			expected += a[i][k] / a[i][i] * row[i]
		}
		count[int64(x[n])-int64(math.Round(expected))]++
	}
	bits, all := 0.0, float64(len(x)-order)
	for _, c := range count {
		bits -= float64(c) / all * math.Log2(float64(c)/all)
	}
	return bits
}

// seconds is an hour, or a tenth of it where time is short.
func seconds() int {
	if os.Getenv("LOOMPROOF_LONG") != "" {
		return 3600
	}
	return 360
}

// BenchmarkBytes is bytes a sample, side by side: the floor, the packed samples
// alone, all that the logbook takes, one row for each sample, plain zstd of the
// codes, and Parquet.
func BenchmarkBytes(b *testing.B) {
	for b.Loop() {
		s := newStore(b)
		secs := seconds()
		r := record(b, s, secs, chunkScans)
		n := float64(secs) * 3000
		var packed, pyramid int64
		require.NoError(b, s.db.QueryRow("SELECT sum(length(body)) FROM recording_chunks").Scan(&packed))
		require.NoError(b, s.db.QueryRow("SELECT sum(length(body)) FROM recording_levels").Scan(&pyramid))
		size, err := s.Size()
		require.NoError(b, err)
		g := groundRun{r: rand.New(rand.NewPCG(1, 1))}
		all := g.scans(secs * 1000)
		least := 0.0
		for _, values := range all {
			least += floor(values, chunkScans) / 3
		}
		b.ReportMetric(least, "floor-B/sample")
		b.ReportMetric(float64(packed)/n, "packed-B/sample")
		b.ReportMetric(float64(packed)/n/least, "packed/floor")
		b.ReportMetric(float64(packed+pyramid)/n/least, "with-pyramid/floor")
		b.ReportMetric(float64(size)/n, "logbook-B/sample")
		b.ReportMetric(plainZstd(b, all)/n, "zstd-B/sample")
		b.ReportMetric(rowEach(b, all, min(secs*1000, 60_000)), "rows-B/sample")
		file := &counted{}
		require.NoError(b, tables.WriteParquet(file, r, tables.All(r)))
		b.ReportMetric(float64(file.n)/n, "parquet-B/sample")
	}
}

type counted struct{ n int64 }

func (c *counted) Write(p []byte) (int, error) { c.n += int64(len(p)); return len(p), nil }

// plainZstd is the codes as 16-bit numbers, channel after channel, as zstd packs
// them.
func plainZstd(b *testing.B, all [][]int32) float64 {
	out := &counted{}
	w, err := zstd.NewWriter(out)
	require.NoError(b, err)
	for _, values := range all {
		for _, v := range values {
			_, err := w.Write([]byte{byte(v), byte(v >> 8)})
			require.NoError(b, err)
		}
	}
	require.NoError(b, w.Close())
	return float64(out.n)
}

// rowEach is a table with a row for each sample: time, channel, value.
func rowEach(b *testing.B, all [][]int32, scans int) float64 {
	path := filepath.Join(b.TempDir(), "rows.db")
	db, err := sql.Open("sqlite", path)
	require.NoError(b, err)
	defer db.Close()
	_, err = db.Exec("CREATE TABLE samples (t REAL, channel INTEGER, value REAL)")
	require.NoError(b, err)
	tx, err := db.Begin()
	require.NoError(b, err)
	for i := range scans {
		for ch := range all {
			_, err := tx.Exec("INSERT INTO samples VALUES (?, ?, ?)", float64(i)/1000, ch, float64(all[ch][i])*0.00125)
			require.NoError(b, err)
		}
	}
	require.NoError(b, tx.Commit())
	info, err := os.Stat(path)
	require.NoError(b, err)
	return float64(info.Size()) / float64(scans*len(all))
}

// BenchmarkPack and BenchmarkUnpack: CPU time of this process, which a busy machine
// does not change, for each sample of the three channels.
func BenchmarkPack(b *testing.B) {
	g := groundRun{r: rand.New(rand.NewPCG(1, 1)), i: 8000}
	all := g.scans(chunkScans)
	c := codec.New()
	var packed []byte
	b.ReportAllocs()
	began := cpuTime()
	for b.Loop() {
		for _, values := range all {
			packed = c.Append(packed[:0], values)
		}
	}
	b.ReportMetric(float64(cpuTime()-began)/float64(b.N)/float64(3*chunkScans), "cpu-ns/sample")
}

func BenchmarkUnpack(b *testing.B) {
	g := groundRun{r: rand.New(rand.NewPCG(1, 1)), i: 8000}
	c := codec.New()
	var packed [][]byte
	for _, values := range g.scans(chunkScans) {
		packed = append(packed, c.Append(nil, values))
	}
	var out []int32
	b.ReportAllocs()
	began := cpuTime()
	for b.Loop() {
		for _, p := range packed {
			out, _ = c.Decode(out[:0], chunkScans, p)
		}
	}
	b.ReportMetric(float64(cpuTime()-began)/float64(b.N)/float64(3*chunkScans), "cpu-ns/sample")
}

// BenchmarkView is a picture of 2000 columns of all three channels, of a minute, of
// an hour and of ten hours.
func BenchmarkView(b *testing.B) {
	s := newStore(b)
	spans := []int{60, 3600}
	if os.Getenv("LOOMPROOF_LONG") != "" {
		spans = append(spans, 36000)
	}
	r := record(b, s, spans[len(spans)-1], chunkScans)
	for _, span := range spans {
		b.Run(fmt.Sprintf("%ds", span), func(b *testing.B) {
			b.ReportAllocs()
			began := cpuTime()
			for b.Loop() {
				for ch := range 3 {
					_, err := r.View(ch, 0, float64(span), 2000)
					require.NoError(b, err)
				}
			}
			b.ReportMetric(float64(cpuTime()-began)/float64(b.N)/1e6, "cpu-ms")
		})
	}
}

// BenchmarkIngest is one second of 100 000 samples (four streams of 25 channels at 1 kHz),
// committed with full durability five times: its metric is the share of a core.
func BenchmarkIngest(b *testing.B) {
	s := newStore(b)
	var streams []Stream
	for i := range 4 {
		st := Stream{Device: fmt.Sprint("node", i), TickHz: 2e6}
		for k := range 25 {
			st.Channels = append(st.Channels, recording.Channel{Name: fmt.Sprint(i, "/", k), Quantity: "voltage", Scale: 1, Rate: 1000})
		}
		streams = append(streams, st)
	}
	w, err := s.Begin(b.Context(), Opening{Start: start, Streams: streams})
	require.NoError(b, err)
	g := groundRun{r: rand.New(rand.NewPCG(1, 1)), i: 8000}
	bus := g.scans(1000)[0]
	tick := int64(0)
	b.ReportAllocs()
	began := cpuTime()
	for b.Loop() {
		for part := range 5 {
			codes := make([][]int32, 25)
			for k := range codes {
				codes[k] = bus[part*200 : part*200+200]
			}
			for i := range streams {
				require.NoError(b, w.Append(i, Piece{Tick: tick, Period: 2000, Codes: codes}))
			}
			tick += 200 * 2000
			require.NoError(b, w.Commit(b.Context()))
		}
	}
	b.ReportMetric(100*float64(cpuTime()-began)/float64(b.N)/1e9, "%core")
}

// Memory does not grow with length: what a Writer holds after ten hours is what
// it holds after two minutes (with LOOMPROOF_LONG; else after one hour), and neither a view nor reading through holds more.
func TestMemoryDoesNotGrowWithLength(t *testing.T) {
	s := newStore(t)
	w, err := s.Begin(t.Context(), Opening{Start: start, Streams: []Stream{groundRunStream()}})
	require.NoError(t, err)
	one := (&groundRun{r: rand.New(rand.NewPCG(1, 1))}).scans(chunkScans)
	heap := func() uint64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	var after [2]uint64
	chunks := []int{8, 220} // 2 min, 1 h
	if os.Getenv("LOOMPROOF_LONG") != "" {
		chunks[1] = 2200
	}
	for i, tick := 0, int64(0); i <= chunks[1]; i++ {
		require.NoError(t, w.Append(0, Piece{Tick: tick, Period: 2000, Codes: one}))
		tick += chunkScans * 2000
		if i%16 == 0 {
			require.NoError(t, w.Commit(t.Context()))
		}
		for k, n := range chunks {
			if i == n {
				after[k] = heap()
			}
		}
	}
	require.NoError(t, w.Close(t.Context(), ""))
	require.Less(t, float64(after[1]), float64(after[0])+4e6, "%d and %d bytes", after[0], after[1])
	r, err := s.Recording(t.Context(), w.ID())
	require.NoError(t, err)
	before := heap()
	_, to := r.Span(0)
	_, err = r.View(0, 0, to, 2000)
	require.NoError(t, err)
	most := uint64(0)
	n := 0
	for b, err := range r.Blocks(0, 0, to) {
		require.NoError(t, err)
		if n += len(b.Codes); n%(chunkScans*50) == 0 {
			most = max(most, heap())
		}
	}
	require.Equal(t, (chunks[1]+1)*chunkScans, n)
	require.Less(t, float64(most), float64(before)+4e6)
}
