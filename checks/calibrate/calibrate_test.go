package calibrate

import (
	"bytes"
	"context"
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"loomproof/probe"
	"loomproof/probe/bench"
	"loomproof/probe/port"
	"loomproof/probe/scpi"
	"loomproof/probe/sources"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func point(reading, readingU, reference, referenceU float64) Point {
	return Point{
		Point: sources.Point{Reading: reading, ReadingU: readingU, Reference: reference, ReferenceU: referenceU, Count: 5}, Quantity: probe.Voltage,
		FullScale: 20, Digit: 0.001, Accuracy: probe.Accuracy{OfReading: 0.005, Digits: 3},
	}
}

// NIST Statistical Reference Datasets, Norris: the linear calibration of an ozone
// monitor against a standard, with certified gain, offset and their standard
// deviations.
func TestTheCertifiedCalibrationOfNIST(t *testing.T) {
	file, err := os.Open("../fit/testdata/Norris.csv")
	require.NoError(t, err)
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	var points []Point
	for _, row := range rows[1:] {
		y, _ := strconv.ParseFloat(row[0], 64)
		x, _ := strconv.ParseFloat(row[1], 64)
		// Readings that leave so little open that the scatter alone decides.
		points = append(points, point(x, 1e-6, y, 0))
	}
	results, err := Fit("voltage", points, probe.Accuracy{})
	require.NoError(t, err)
	c := results[0].Calibration
	assert.InEpsilon(t, 1.00211681802045, c.Gain, 1e-10)
	assert.InEpsilon(t, 0.429796848199937e-3, c.GainU, 1e-9)
	assert.InEpsilon(t, -0.262323073774029, c.Offset, 1e-9)
	assert.InEpsilon(t, 0.232818234301152, c.OffsetU, 1e-9)
	assert.InEpsilon(t, 0.884796396144373, c.Residual, 1e-9)
}

// What the reference leaves open does not average out: with perfect readings and a
// reference of 1 % the gain is uncertain by 1 %, however many points there are.
func TestAReferenceDoesNotAverageOut(t *testing.T) {
	for _, n := range []int{2, 5, 50} {
		var points []Point
		for i := range n {
			v := 1 + 18*float64(i)/float64(n-1)
			points = append(points, point(v, 1e-6, v, 0.01*v))
		}
		results, err := Fit("voltage", points, probe.Accuracy{})
		require.NoError(t, err)
		assert.InDelta(t, 0.01, results[0].Calibration.GainU, 1e-6, "%d points", n)
		assert.InDelta(t, 0.1, results[0].Calibration.Uncertainty(10), 1e-5)
	}
}

func TestWhatAPersonIsTold(t *testing.T) {
	notes := func(points ...Point) string {
		results, err := Fit("voltage", points, probe.Accuracy{})
		require.NoError(t, err)
		return strings.Join(results[0].Notes, "\n")
	}
	assert.Empty(t, notes(point(0, 1e-4, 0.001, 1e-4), point(10, 1e-4, 10.01, 1e-4), point(19, 1e-4, 19.018, 1e-4)))
	assert.Contains(t, notes(point(0, 1e-4, 0, 1e-4), point(10, 1e-4, 10.03, 1e-4), point(19, 1e-4, 19, 1e-4)), "do not lie on a straight line: up to ")
	assert.Contains(t, notes(point(0, 1e-4, 0, 1e-4), point(19, 1e-4, 19.4, 1e-4)), "at 19 V it reads 400 mV wrong, outside its accuracy line (98 mV)")
	assert.Contains(t, notes(point(1, 1e-4, 1, 0.2), point(19, 1e-4, 19, 0.2)), "this calibration is worse than none there")
}

func TestRanges(t *testing.T) {
	low, high := point(0.1, 1e-5, 0.1, 0), point(0.19, 1e-5, 0.19, 0)
	low.FullScale, high.FullScale = 0.2, 0.2
	results, err := Fit("voltage", []Point{point(1, 1e-4, 1, 0), low, point(19, 1e-4, 19, 0), high}, probe.Accuracy{})
	require.NoError(t, err)
	require.Len(t, results, 2)
	assert.Equal(t, 0.2, results[0].Calibration.FullScale)
	assert.Equal(t, 20.0, results[1].Calibration.FullScale)

	results, err = Fit("voltage", []Point{point(1, 1e-4, 1, 0), low, point(19, 1e-4, 19, 0)}, probe.Accuracy{})
	require.NoError(t, err)
	assert.Contains(t, results[0].Notes[0], "one point alone on the range up to [200 mV]")

	_, err = Fit("voltage", []Point{point(1, 1e-4, 1, 0), low}, probe.Accuracy{})
	assert.ErrorContains(t, err, "needs two points or more on one range; 2 were taken, on 2 ranges")
	_, err = Fit("voltage", []Point{point(1, 1e-4, 1, 0), point(1, 1e-4, 1, 0)}, probe.Accuracy{})
	assert.ErrorContains(t, err, "all points are at the same reading, 1 V: take them far apart")
}

// An emulated meter with errors of its own is calibrated against a reference with
// errors of its own, many times: the corrected readings then lie as near to the
// truth as they say, in 95 of 100 cases or more.
func TestCorrectedReadingsAreAsGoodAsTheySay(t *testing.T) {
	const trials = 150
	inside, nearer := 0, 0
	for seed := range uint64(trials) {
		synctest.Test(t, func(t *testing.T) {
			truth := 0.0
			cable := bench.NewMemoryCable()
			meter := bench.NewMeter(func() (float64, bool) { return truth, true }, bench.MeterOptions{
				Seed: seed, Noise: 1e-4, Accuracy: bench.Accuracies{probe.Voltage: {OfReading: 0.005, OfRange: 0.0005}}, Integration: time.Millisecond,
			})
			go meter.Serve(cable.Device())
			conn, err := cable.Open(port.Mode{})
			require.NoError(t, err)
			s, err := scpi.OpenMeter(t.Context(), conn, scpi.MeterOptions{})
			require.NoError(t, err)
			defer func() { s.Close(); cable.Close(); time.Sleep(time.Hour) }() // on the test's clock: the meter's goroutine ends

			rng := rand.New(rand.NewPCG(seed, 9))
			referenceError := 1 + 0.0002*rng.NormFloat64()
			var points []Point
			for _, v := range []float64{2, 6, 10} {
				truth = v
				p, err := Measure(t.Context(), s, "voltage", func(err error) { t.Error(err) })
				require.NoError(t, err)
				p.Reference, p.ReferenceU = v*referenceError, 0.0002*v
				points = append(points, p)
			}
			results, err := Fit("voltage", points, probe.Accuracy{})
			require.NoError(t, err)
			truth = 8
			p, err := Measure(t.Context(), s, "voltage", func(err error) { t.Error(err) })
			require.NoError(t, err)
			c := results[0].Calibration
			off := math.Abs(c.Gain*p.Reading + c.Offset - truth)
			if off <= 2*math.Hypot(c.Uncertainty(p.Reading), p.ReadingU) {
				inside++
			}
			if off < math.Abs(p.Reading-truth) {
				nearer++
			}
		})
	}
	assert.GreaterOrEqual(t, inside, 133, "four standard deviations of such a count below 95.4 %")
	assert.Greater(t, nearer, trials*3/4)
	t.Logf("of %d: %d within what they say, %d nearer to the truth than before", trials, inside, nearer)
}

func TestACalibrationIsKeptAndUsed(t *testing.T) {
	dir := t.TempDir()
	cable, err := bench.NewCable()
	require.NoError(t, err)
	defer cable.Close()
	values := make(chan float64, 1)
	value := 2.0
	meter := bench.NewMeter(func() (float64, bool) {
		select {
		case value = <-values:
		default:
		}
		return value * 1.002, true
	}, bench.MeterOptions{})
	go meter.Serve(cable.Device())
	line := "loomproof-sources: 1\nsources:\n  bench meter: {kind: scpi meter, port: " + cable.Name() + ", accuracy: {voltage: 0.5 % + 3 digits}, drift: {voltage: 0.01 %}"
	open := func(more string) *sources.Source {
		f, err := sources.Parse(filepath.Join(dir, "sources.yaml"), []byte(line+more+"}\n"))
		require.NoError(t, err)
		all, err := f.Sources()
		require.NoError(t, err)
		return sources.Of(all[0])
	}
	s := open("")
	var out bytes.Buffer
	session := Session{
		Source: s, Channel: "voltage", Out: &out, In: &typed{lines: []string{"2", "six", "6", "10", ""}, values: values},
		Reference: "Reedbed R8", Certificate: "4711", Expanded: 0.001, Date: date(t, "2026-11-25"), Due: date(t, "2027-11-25"),
	}
	results, err := session.Run(context.Background())
	require.NoError(t, err)
	s.Close()
	require.Len(t, results, 1)
	assert.InDelta(t, 1/1.002, results[0].Calibration.Gain, 1e-5)
	assert.Contains(t, out.String(), `"six" is no number; type it in V`)
	assert.Contains(t, out.String(), `add the line "calibration: bench-meter.calibration.yaml" to source "bench meter"`)

	s = open(", calibration: bench-meter.calibration.yaml")
	defer s.Close()
	values <- 8
	r, err := s.Read(context.Background(), "voltage")
	require.NoError(t, err)
	assert.InDelta(t, 8, r.Value, 1e-4)
	require.NotNil(t, r.Correction)
	assert.InDelta(t, 8*1.002, r.Correction.Raw, 1e-4)
	assert.Equal(t, probe.Accuracy{OfReading: 0.0001}, r.Accuracy)
	id := s.Identity()
	assert.Equal(t, "2026-11-25", id.Calibrated.Format(time.DateOnly))
	assert.Equal(t, "2027-11-25", id.Due.Format(time.DateOnly))
	assert.Equal(t, "voltage against Reedbed R8, certificate 4711", id.Certificate)

	// A second one is added to the first, and the newest counts.
	session.Source, session.In, session.Date = s, &typed{lines: []string{"3", "9", ""}, values: values}, date(t, "2027-01-10")
	_, err = session.Run(context.Background())
	require.NoError(t, err)
	path, _ := s.CalibrationPath()
	kept, err := sources.ReadCalibrations(path)
	require.NoError(t, err)
	assert.Len(t, kept.Records, 2)
	assert.InDelta(t, kept.Records[0].Gain, kept.Records[1].Gain, 1e-5, "of raw readings, not of corrected ones")
	other := probe.Identity{Name: "bench meter", Serial: "MM0043"}
	assert.ErrorContains(t, sources.Keep(path, other, kept.Records[0]), "is for another instrument")
}

func date(t *testing.T, text string) (d sources.Date) {
	require.NoError(t, d.UnmarshalText([]byte(text)))
	return d
}

// typed is a person: the reference is set as the line is typed.
type typed struct {
	lines  []string
	values chan float64
}

func (p *typed) Read(b []byte) (int, error) {
	text := p.lines[0]
	p.lines = p.lines[1:]
	if v, err := strconv.ParseFloat(text, 64); err == nil {
		p.values <- v
	}
	return copy(b, text+"\n"), nil
}
