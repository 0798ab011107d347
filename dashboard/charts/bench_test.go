package charts

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"loomproof/checks/logbook"
	"loomproof/checks/recording"
	"loomproof/checks/recording/store"
)

// stored writes so many seconds of two channels at 1 kHz and a speed at 10 Hz
// into a logbook of its own.
func stored(b *testing.B, seconds int) *store.Recording {
	book, err := logbook.Open(filepath.Join(b.TempDir(), "book.db"))
	require.NoError(b, err)
	b.Cleanup(func() { _ = book.Close() })
	s, err := store.Open(book)
	require.NoError(b, err)
	w, err := s.Begin(b.Context(), store.Opening{Start: begun, Streams: []store.Stream{
		{Device: "node", TickHz: 1000, Channels: []recording.Channel{
			{Name: "bus", Role: recording.BusVolts, Quantity: "voltage", Scale: 0.00125, Rate: 1000},
			{Name: "battery", Role: recording.BatteryCurrent, Quantity: "current", Scale: 0.01, Rate: 1000},
		}},
		{Device: "speed", TickHz: 10, Channels: []recording.Channel{
			{Name: "engine", Role: recording.EngineSpeed, Quantity: "frequency", Scale: 0.01, Rate: 10},
		}},
	}})
	require.NoError(b, err)
	dice := rand.New(rand.NewPCG(1, 2))
	const minute = 60000
	for at := 0; at < seconds*1000; at += minute {
		n := min(minute, seconds*1000-at)
		codes := [][]int32{make([]int32, n), make([]int32, n)}
		for i := range n {
			t := float64(at+i) / 1000
			codes[0][i] = int32(11360 + 24*math.Sin(700*t) + 3*dice.NormFloat64())
			codes[1][i] = int32(3000*math.Exp(-t/1000) + 40*math.Sin(700*t) + 3*dice.NormFloat64())
		}
		require.NoError(b, w.Append(0, store.Piece{Tick: int64(at), Period: 1, Codes: codes}))
		speed := make([]int32, n/100)
		for i := range speed {
			speed[i] = int32(4200 + 5*dice.NormFloat64())
		}
		require.NoError(b, w.Append(1, store.Piece{Tick: int64(at / 100), Period: 1, Codes: [][]int32{speed}}))
		require.NoError(b, w.Commit(b.Context()))
	}
	require.NoError(b, w.Close(b.Context(), ""))
	r, err := s.Recording(b.Context(), w.ID())
	require.NoError(b, err)
	return r
}

// The picture of a minute and of an hour out of the store costs the same.
func BenchmarkRun(b *testing.B) {
	for _, seconds := range []int{60, 3600} {
		r := stored(b, seconds)
		for _, form := range []string{"svg", "png"} {
			b.Run(fmt.Sprintf("%ds/%s", seconds, form), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					p, err := Run(r, nil, 0, 0)
					if err != nil {
						b.Fatal(err)
					}
					write := p.SVG
					if form == "png" {
						write = p.PNG
					}
					if err := write(io.Discard); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
