package tables

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/logbook"
	"loomproof/checks/recording"
	"loomproof/checks/recording/csvlog"
	"loomproof/checks/recording/store"
)

var start = time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)

// run is a node's two channels with a gap, and a meter beside them.
func run(t testing.TB) *recording.Memory {
	m := recording.NewMemory(start,
		recording.Channel{Name: "main bus", Role: recording.BusVolts, Quantity: "voltage", Scale: 0.01953125, Offset: 0.009765625, Rate: 100},
		recording.Channel{Name: "battery", Role: recording.BatteryCurrent, Quantity: "current", Scale: 0.125, Rate: 100},
		recording.Channel{Name: "meter", Quantity: "voltage", Scale: 1e-6})
	r := rand.New(rand.NewPCG(1, 1))
	for _, at := range []float64{0, 7} {
		for ch := range 2 {
			codes := make([]int32, 500)
			for i := range codes {
				codes[i] = 700 + r.Int32N(20)
			}
			require.NoError(t, m.Append(ch, recording.Block{Start: at, Step: 0.01, Codes: codes}))
		}
	}
	for i := range 20 {
		require.NoError(t, m.Append(2, recording.Block{Start: 0.0301 + float64(i)*0.517, Codes: []int32{12_345_000 + int32(i)}}))
	}
	return m
}

// requireSame: every sample of the first two channels, at its time.
func requireSame(t *testing.T, want, got recording.Recording) {
	require.Len(t, got.Channels(), len(want.Channels()))
	for ch := range want.Channels() {
		type sample struct{ t, v float64 }
		all := func(r recording.Recording) (out []sample) {
			for b, err := range r.Blocks(ch, math.Inf(-1), math.Inf(1)) {
				require.NoError(t, err)
				for i, code := range b.Codes {
					out = append(out, sample{b.At(i), r.Channels()[ch].Value(code)})
				}
			}
			return out
		}
		a, b := all(want), all(got)
		require.Len(t, b, len(a), "channel %d", ch)
		for i := range a {
			require.InDelta(t, a[i].t, b[i].t, 1e-3, "channel %d, sample %d", ch, i)
			require.InDelta(t, a[i].v, b[i].v, 1.01e-6)
		}
	}
	for ch := range 2 {
		gaps, err := recording.Gaps(got, ch, math.Inf(-1), math.Inf(1))
		require.NoError(t, err)
		require.Len(t, gaps, 1)
		assert.InDelta(t, 5, gaps[0].From, 1e-3)
		assert.InDelta(t, 7, gaps[0].To, 1e-3)
	}
}

func TestCSVThereAndBack(t *testing.T) {
	m := run(t)
	var b bytes.Buffer
	require.NoError(t, WriteCSV(&b, m, All(m)))
	lines := strings.Split(b.String(), "\r\n")
	assert.Equal(t, "time_s,main_bus_V,battery_A,meter_V", lines[0])
	assert.Contains(t, lines[5], "0.030100000,,,12.345")
	got, err := ReadCSV(&b, 0, csvlog.Options{Name: "run.csv"})
	require.NoError(t, err)
	requireSame(t, m, got)
	assert.Equal(t, recording.BusVolts, got.Channels()[0].Role, "from its heading")
}

func TestParquetThereAndBack(t *testing.T) {
	m := run(t)
	var b bytes.Buffer
	require.NoError(t, WriteParquet(&b, m, All(m)))
	got, err := ReadParquet(bytes.NewReader(b.Bytes()), int64(b.Len()), 0, csvlog.Options{Name: "run.parquet"})
	require.NoError(t, err)
	requireSame(t, m, got)
	assert.WithinDuration(t, start, got.Start(), time.Microsecond)
}

// A recording without a date comes back without one, and no date stands in the file.
func TestNoDateThereAndBack(t *testing.T) {
	m := recording.NewMemory(recording.NoDate, recording.Channel{Name: "bus", Quantity: "voltage", Scale: 0.1, Rate: 10})
	require.NoError(t, m.Append(0, recording.Block{Step: 0.1, Codes: []int32{120, 121, 122}}))
	var b bytes.Buffer
	require.NoError(t, WriteParquet(&b, m, All(m)))
	f, err := parquet.OpenFile(bytes.NewReader(b.Bytes()), int64(b.Len()))
	require.NoError(t, err)
	_, told := f.Lookup(metaStart)
	assert.False(t, told)
	back, err := ReadParquet(bytes.NewReader(b.Bytes()), int64(b.Len()), 0, csvlog.Options{Name: "run.parquet"})
	require.NoError(t, err)
	assert.False(t, recording.Dated(back.Start()))
	assert.True(t, recording.Dated(start))
}

// Kept in a logbook it is the same again.
func TestKeptInALogbook(t *testing.T) {
	book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
	require.NoError(t, err)
	defer book.Close()
	st, err := store.Open(book)
	require.NoError(t, err)
	m := run(t)
	m.Mark(recording.Marker{At: 3, Kind: recording.Crank})
	id, err := st.Keep(t.Context(), m, store.Opening{Title: "a friend's log"})
	require.NoError(t, err)
	got, err := st.Find(t.Context(), 0)
	require.NoError(t, err)
	assert.Equal(t, id, got.ID)
	requireSame(t, m, got)
	assert.Equal(t, recording.Crank, got.Markers()[0].Kind)
	which, err := Named(got, []string{"meter", "battery"})
	require.NoError(t, err)
	assert.Equal(t, []int{2, 1}, which)
	_, err = Named(got, []string{"nobody"})
	assert.ErrorContains(t, err, "there are: main bus, battery, meter")
}

// A reader of others, that of Python's standard library, agrees on names, numbers,
// empty cells and sums.
func TestAnotherProgramReadsTheCSV(t *testing.T) {
	m := run(t)
	var b bytes.Buffer
	require.NoError(t, WriteCSV(&b, m, All(m)))
	sum := exec.Command("python3", "-c", `
import csv, sys
rows = list(csv.DictReader(sys.stdin))
print(len(rows), sum(1 for r in rows if r["main_bus_V"]), "%.6f" % sum(float(r["main_bus_V"]) for r in rows if r["main_bus_V"]))`)
	sum.Stdin = &b
	out, err := sum.Output()
	require.NoError(t, err, "python3 reads the file: install the Debian package python3")
	want := 0.0
	for blk := range m.Blocks(0, math.Inf(-1), math.Inf(1)) {
		for _, code := range blk.Codes {
			want += m.Channels()[0].Value(code)
		}
	}
	var rows, cells int
	var total float64
	_, err = fmt.Sscan(string(out), &rows, &cells, &total)
	require.NoError(t, err)
	assert.Equal(t, 1020, rows)
	assert.Equal(t, 1000, cells)
	assert.InDelta(t, want, total, 1e-5)
}

func TestAFileWithoutTimes(t *testing.T) {
	m, err := ReadCSV(strings.NewReader("bus_V;load_A\n12,5;1\n12,6;2\n12,6;2\n;3\n12,7;4\n"), 50, csvlog.Options{Name: "x.csv"})
	require.NoError(t, err)
	var times []float64
	for b := range m.Blocks(0, 0, 10) {
		for i := range b.Codes {
			times = append(times, b.At(i))
		}
	}
	assert.InDeltaSlice(t, []float64{0, 0.02, 0.04, 0.08}, times, 1e-9)
}

// Files that others make: timestamps, 32-bit numbers.
func TestParquetOfOthers(t *testing.T) {
	type row struct {
		Time time.Time `parquet:"time,timestamp(microsecond)"`
		Bus  float32   `parquet:"bus_V"`
		Load *int64    `parquet:"load_A,optional"`
	}
	two := int64(2)
	var b bytes.Buffer
	require.NoError(t, parquet.Write(&b, []row{{start, 12.5, nil}, {start.Add(time.Second), 12.25, &two}, {start.Add(2 * time.Second), 12, &two}}))
	m, err := ReadParquet(bytes.NewReader(b.Bytes()), int64(b.Len()), 0, csvlog.Options{Name: "x.parquet"})
	require.NoError(t, err)
	assert.WithinDuration(t, start, m.Start(), time.Microsecond)
	from, _ := m.Span(1)
	assert.InDelta(t, 1, from, 1e-6)
}

func TestBadFilesSayWhere(t *testing.T) {
	for want, text := range map[string]string{
		"x.csv:3: column 2, bus: \"twelve\" is no number":         "time_s,bus_V\n0,1\n1,twelve\n",
		"x.csv:3: time 0.5 does not come after the row before it": "time_s,bus_V\n1,1\n0.5,2\n",
		"x.csv:1: column 2, \"bus\": no unit that is known":       "time_s,bus\n0,1\n",
		"x.csv: the file is empty":                                "",
	} {
		_, err := ReadCSV(strings.NewReader(text), 0, csvlog.Options{Name: "x.csv"})
		assert.ErrorContains(t, err, want)
	}
	_, err := ReadParquet(strings.NewReader("PAR1 is not all"), 15, 0, csvlog.Options{Name: "x.parquet"})
	assert.ErrorContains(t, err, "x.parquet: it is no Parquet file, or is damaged")
	type names struct {
		Time float64 `parquet:"time_s"`
		Name string  `parquet:"name"`
	}
	var b bytes.Buffer
	require.NoError(t, parquet.Write(&b, []names{{1, "a"}}))
	_, err = ReadParquet(bytes.NewReader(b.Bytes()), int64(b.Len()), 0, csvlog.Options{Name: "x.parquet"})
	assert.ErrorContains(t, err, "x.parquet: column 2, name")
}
