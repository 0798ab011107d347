package charts

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"iter"
	"math"
	"math/rand/v2"
	"os"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/groundrun"
	"loomproof/checks/mockup/charging"
	"loomproof/checks/recording"
	"loomproof/probe"
)

var update = flag.Bool("update", false, "draw the committed picture anew")

// ground is the emulated ground run of a sound aircraft and what is said of it.
var ground = sync.OnceValues(func() (*recording.Memory, *groundrun.Report) {
	c := charging.MarshHen()
	c.Step = 1.0 / 32000 // coarser ones fold the ripple's upper lines down
	r, err := charging.New(c).Record(charging.GroundRun(), 96, append(charging.Taps(1000), charging.Fast(8000), charging.Speed(10))...)
	if err != nil {
		panic(err)
	}
	rep, err := groundrun.Analyse(r, groundrun.Options{})
	if err != nil {
		panic(err)
	}
	return r, rep
})

var begun = time.Date(2026, 5, 2, 9, 0, 0, 0, time.UTC)

// bus is a recording of one voltage of 100 samples a second, in mV.
func bus(t *testing.T, blocks ...recording.Block) *recording.Memory {
	r := recording.NewMemory(begun, recording.Channel{Name: "bus", Role: recording.BusVolts, Quantity: probe.Voltage, Scale: 0.001, Rate: 100})
	for _, b := range blocks {
		require.NoError(t, r.Append(0, b))
	}
	return r
}

func steps(from float64, n int, code func(i int) int32) recording.Block {
	b := recording.Block{Start: from, Step: 0.01, Codes: make([]int32, n)}
	for i := range b.Codes {
		b.Codes[i] = code(i)
	}
	return b
}

func svg(t *testing.T, p *Picture) string {
	var b bytes.Buffer
	require.NoError(t, p.SVG(&b))
	return b.String()
}

func dots(t *testing.T, p *Picture) image.Image {
	var b bytes.Buffer
	require.NoError(t, p.PNG(&b))
	img, err := png.Decode(&b)
	require.NoError(t, err)
	return img
}

// inked counts the dots about a place that are of a colour.
func inked(img image.Image, at point, reach float64, c color.RGBA) (n int) {
	for y := int((at.y - reach) * zoom); y <= int((at.y+reach)*zoom); y++ {
		for x := int((at.x - reach) * zoom); x <= int((at.x+reach)*zoom); x++ {
			r, g, b, _ := img.At(x, y).RGBA()
			if d := math.Abs(float64(r>>8)-float64(c.R)) + math.Abs(float64(g>>8)-float64(c.G)) + math.Abs(float64(b>>8)-float64(c.B)); d < 90 {
				n++
			}
		}
	}
	return n
}

// words is all that is written on a picture.
func words(p *Picture) string {
	var all []string
	for _, i := range p.items {
		if w, ok := i.(text); ok {
			all = append(all, w.words)
		}
	}
	return strings.Join(all, "\n")
}

// traces are the drawn lines and shapes of a picture in a colour, as points.
func traces(p *Picture, c color.RGBA, wide float64) (paths [][]point) {
	for _, i := range p.items {
		if l, ok := i.(lines); ok && l.stroke == c && l.wide == wide {
			paths = append(paths, l.paths...)
		}
	}
	return paths
}

// A sample stands where its time and value say, by the ticks' own places: the
// words of the axes and the points of the line agree.
func TestSamplesStandWhereTheAxesSay(t *testing.T) {
	r := bus(t, steps(0, 101, func(i int) int32 { return int32(12000 + 20*i) })) // 12 V to 14 V in a second
	p, err := Run(r, nil, 0, 1.01)
	require.NoError(t, err)
	paths := traces(p, ink, 1.2)
	require.Len(t, paths, 1)
	require.Len(t, paths[0], 101)

	x, y := map[float64]float64{}, map[float64]float64{}
	for _, i := range p.items {
		if w, ok := i.(text); ok {
			if v, err := strconv.ParseFloat(w.words, 64); err == nil && w.anchor == middle {
				x[v] = w.at.x
			} else if err == nil && w.anchor == end {
				y[v] = w.at.y - 4
			}
		}
	}
	require.GreaterOrEqual(t, len(x), 5, "ticks of time")
	require.GreaterOrEqual(t, len(y), 3, "ticks of voltage")
	for i, at := range paths[0] {
		if want, ok := x[float64(i)/100]; ok {
			assert.InDelta(t, want, at.x, 0.01, "sample %d", i)
		}
		if want, ok := y[12+0.02*float64(i)]; ok {
			assert.InDelta(t, want, at.y, 0.01, "sample %d", i)
		}
	}
	img := dots(t, p)
	for _, i := range []int{0, 50, 100} {
		assert.Positive(t, inked(img, paths[0][i], 1, ink), "ink at sample %d", i)
	}
	assert.Zero(t, inked(img, point{paths[0][20].x, paths[0][80].y}, 3, ink), "and none where no sample is")
}

// A long stretch is drawn by columns that reach from the least to the most.
func TestColumnsReachOverEverySample(t *testing.T) {
	r := bus(t, steps(0, 20000, func(i int) int32 {
		if i == 12345 {
			return 9000 // one sample
		}
		return 14000
	}))
	p, err := Run(r, nil, 0, 0)
	require.NoError(t, err)
	paths := traces(p, ink, 1.0)
	lowest := point{}
	for _, path := range paths {
		for _, at := range path {
			if len(path) > 100 && at.y > lowest.y {
				lowest = at
			}
		}
	}
	assert.InDelta(t, left+across*123.45/200, lowest.x, across/columns, "the one low sample is there")
	assert.Positive(t, inked(dots(t, p), lowest, 1.5, ink))
}

// Neither columns nor single samples are joined over a gap.
func TestAGapIsNeverJoined(t *testing.T) {
	for _, n := range []int{200, 20000} {
		span := float64(n) / 100
		level := func(int) int32 { return 14000 }
		r := bus(t, steps(0, n, level), steps(2*span, n, level))
		rep := &groundrun.Report{Channels: []groundrun.ChannelNote{{Name: "bus", Lost: int64(n), Gaps: []recording.Gap{{From: span, To: 2 * span, Lost: int64(n)}}}}}
		p, err := Run(r, rep, 0, 0)
		require.NoError(t, err)
		img := dots(t, p)
		trace := 0.0
		for _, i := range p.items {
			if l, ok := i.(lines); ok && l.stroke == ink && len(l.paths) == 2 {
				trace = l.paths[0][0].y
			}
		}
		require.NotZero(t, trace, "two pieces")
		assert.Positive(t, inked(img, point{left + across*0.2, trace}, 1, ink), "ink before the gap")
		assert.Zero(t, inked(img, point{left + across*0.45, trace}, 6, ink), "none in it")
		assert.Positive(t, inked(img, point{left + across*0.8, trace}, 1, ink), "ink after it")
		assert.Contains(t, words(p), "missing")
		assert.Contains(t, p.Description, fmt.Sprintf("misses %d samples", n))
	}
}

// What a picture reads does not grow with the recording.
func TestCostDoesNotGrowWithLength(t *testing.T) {
	r := &counted{Memory: bus(t, steps(0, 500000, func(i int) int32 { return int32(14000 + i%7) }))}
	_, err := Run(r, nil, 0, 0)
	require.NoError(t, err)
	assert.Equal(t, 0, r.blocks, "a long stretch comes from the view")
	_, err = Run(r, nil, 100, 102)
	require.NoError(t, err)
	assert.Equal(t, 1, r.blocks, "a short one from its samples")
}

type counted struct {
	*recording.Memory
	blocks int
}

func (c *counted) Blocks(channel int, from, to float64) iter.Seq2[recording.Block, error] {
	c.blocks++
	return c.Memory.Blocks(channel, from, to)
}

// The pictures of a whole ground run: well-formed, small, each with a name and
// words, and the same as pixels.
func TestEveryPictureOfAGroundRun(t *testing.T) {
	r, rep := ground()
	pictures, missing, err := All(r, rep)
	require.NoError(t, err)
	assert.Empty(t, missing)
	require.Len(t, pictures, 4)
	for _, p := range pictures {
		t.Run(p.Name, func(t *testing.T) {
			s := svg(t, p.Picture)
			wellFormed(t, s)
			assert.Less(t, len(s), 60_000)
			assert.Contains(t, s, "<title>"+escape(p.Title))
			assert.Greater(t, len(p.Description), 40)
			assert.NotContains(t, s, "NaN")
			assert.NotContains(t, s, " id=")
			img := dots(t, p.Picture)
			assert.Equal(t, int(width*zoom), img.Bounds().Dx())
			assert.Greater(t, inked(img, point{width / 2, p.h / 2}, width/2-1, ink), 2000)
			apart(t, p.Picture)
		})
	}
}

// The picture in README.md is the one that is drawn today, to a quarter of a pixel.
func TestThePictureOfTheReadme(t *testing.T) {
	r, rep := ground()
	p, err := Run(r, rep, 0, 0)
	require.NoError(t, err)
	now := svg(t, p)
	if *update {
		require.NoError(t, os.WriteFile("testdata/run.svg", []byte(now), 0o644))
	}
	file, err := os.ReadFile("testdata/run.svg")
	require.NoError(t, err)
	number := regexp.MustCompile(`-?(\d+\.?\d*|\.\d+)`)
	require.Equal(t, number.ReplaceAllString(string(file), "#"), number.ReplaceAllString(now, "#"), "go test ./dashboard/charts -update")
	was, is := number.FindAllString(string(file), -1), number.FindAllString(now, -1)
	for i := range was {
		a, _ := strconv.ParseFloat(was[i], 64)
		b, _ := strconv.ParseFloat(is[i], 64)
		require.InDelta(t, a, b, 0.25, "number %d: go test ./dashboard/charts -update", i)
	}
}

// apart fails where words stand on each other.
func apart(t *testing.T, p *Picture) {
	type box struct {
		words          string
		x1, y1, x2, y2 float64
	}
	var boxes []box
	for _, i := range p.items {
		w, ok := i.(text)
		if !ok {
			continue
		}
		wide := measure(w.words, w.size)
		x := w.at.x - wide*[...]float64{start: 0, middle: 0.5, end: 1}[w.anchor]
		b := box{w.words, x, w.at.y - 0.75*w.size, x + wide, w.at.y}
		assert.GreaterOrEqual(t, b.x1, 0.0, "%q is cut", b.words)
		assert.LessOrEqual(t, b.x2, width+2, "%q is cut", b.words)
		for _, o := range boxes {
			assert.False(t, b.x1 < o.x2-1 && b.x2 > o.x1+1 && b.y1 < o.y2 && b.y2 > o.y1, "%q stands on %q", b.words, o.words)
		}
		boxes = append(boxes, b)
	}
}

func wellFormed(t *testing.T, s string) {
	d := xml.NewDecoder(strings.NewReader(s))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return
		}
		require.NoError(t, err)
		if e, ok := token.(xml.StartElement); ok {
			assert.Contains(t, []string{"svg", "title", "desc", "rect", "path", "text", "image"}, e.Name.Local)
			for _, a := range e.Attr {
				assert.NotEqual(t, "on", a.Name.Local[:min(2, len(a.Name.Local))], "no handlers")
			}
		}
	}
}

// The worst that a recording may hold: noise over the whole range in every channel,
// hundreds of markers, loads and parts.
func TestACrowdedPictureStaysSmall(t *testing.T) {
	dice := rand.New(rand.NewPCG(7, 8))
	var channels []recording.Channel
	for i, role := range []recording.Role{recording.BusVolts, recording.AlternatorVolts, recording.BatteryCurrent, recording.AlternatorCurrent, recording.EngineSpeed} {
		channels = append(channels, recording.Channel{Name: fmt.Sprintf("channel %d", i), Role: role, Quantity: role.Quantity(), Scale: 1, Rate: 100})
	}
	r := recording.NewMemory(begun, channels...)
	rep := &groundrun.Report{}
	for i := range channels {
		require.NoError(t, r.Append(i, steps(0, 60000, func(int) int32 { return int32(dice.IntN(1000)) })))
	}
	for i := range 400 {
		at := 600 * dice.Float64()
		r.Mark(recording.Marker{At: at, Text: strings.Repeat("noted ", 1+i%20)})
		rep.Loads = append(rep.Loads, groundrun.LoadStep{At: at, Amperes: 5})
		rep.Parts = append(rep.Parts, groundrun.Part{ID: "p", Name: "steady", Kind: groundrun.Steady, Speed: 40, From: 1.5 * float64(i), To: 1.5*float64(i) + 1})
	}
	p, err := Run(r, rep, 0, 0)
	require.NoError(t, err)
	assert.Less(t, len(svg(t, p)), 60_000)
	apart(t, p)
	assert.Contains(t, p.Description, "400 markers, of which ")
}

// Names are words and nothing else.
func TestNamesAreEscaped(t *testing.T) {
	evil := `</title><script>alert(1)</script>"'&` + "\x00\xff"
	r := recording.NewMemory(begun, recording.Channel{Name: evil, Quantity: probe.Voltage, Scale: 1, Rate: 100})
	require.NoError(t, r.Append(0, steps(0, 50, func(i int) int32 { return int32(i) })))
	r.Mark(recording.Marker{At: 0.1, Text: evil})
	p, err := Run(r, nil, 0, 0)
	require.NoError(t, err)
	s := svg(t, p)
	wellFormed(t, s)
	assert.NotContains(t, s, "<script")
	dots(t, p)
}

// The six-pulse line of the spectrum stands at six times the electrical
// frequency: engine speed × ratio × pole pairs of the emulated alternator.
func TestTheSixPulseLineStandsWhereItShould(t *testing.T) {
	r, rep := ground()
	p, err := Spectrum(r, rep, "")
	require.NoError(t, err)
	var peak point
	peak.y = math.Inf(1)
	for _, path := range traces(p, ink, 1.1) {
		for _, at := range path[1:] {
			if at.y < peak.y {
				peak = at
			}
		}
	}
	c := charging.MarshHen()
	top := 0.45 * 8000
	want := 6 * 42 * c.Alternator.Ratio * float64(c.Alternator.PolePairs)
	assert.InDelta(t, left+across*want/top, peak.x, 4)
	assert.Contains(t, words(p), "6f = 3.3")
	_, err = Spectrum(r, rep, "p99")
	require.ErrorIs(t, err, ErrNothing)
	assert.ErrorContains(t, err, `no part "p99"`)
}

// The regulator's line goes through the set-point, sloping as the analysis says.
func TestTheRegulatorsLine(t *testing.T) {
	_, rep := ground()
	p, err := Regulator(rep)
	require.NoError(t, err)
	k := rep.Regulator()
	line := traces(p, accent, 1.6)[0]
	first, last := line[0], line[len(line)-1]
	d := regulatorDrawing{p: newPicture(0, ""), k: k}
	d.axes()
	at := (d.x.at(k.Middle) - first.x) / (last.x - first.x)
	assert.InDelta(t, d.y.at(k.SetPoint), first.y+at*(last.y-first.y), 0.5)
	assert.Greater(t, last.y, first.y, "the voltage falls with load")
	assert.Contains(t, p.Description, "set-point 14.1")
	assert.Contains(t, p.Description, "load steps")
}

// What a recording cannot show is an error that says why.
func TestWhatCannotBeDrawn(t *testing.T) {
	slow := bus(t, steps(0, 500, func(int) int32 { return 12700 }))
	rep, err := groundrun.Analyse(slow, groundrun.Options{})
	require.NoError(t, err)
	for name, of := range map[string]struct {
		draw func() (*Picture, error)
		says string
	}{
		"empty":        {func() (*Picture, error) { return Run(recording.NewMemory(begun), nil, 0, 0) }, "holds no samples"},
		"turned round": {func() (*Picture, error) { return Run(slow, nil, 2, 1) }, "end must lie after"},
		"slow":         {func() (*Picture, error) { return Spectrum(slow, rep, "") }, "8 kHz"},
		"waterfall":    {func() (*Picture, error) { return Waterfall(slow, rep) }, "8 kHz"},
		"no regulator": {func() (*Picture, error) { return Regulator(rep) }, "never seen to hold"},
		"no analysis":  {func() (*Picture, error) { return Regulator(nil) }, "not analysed"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := of.draw()
			require.ErrorIs(t, err, ErrNothing)
			assert.ErrorContains(t, err, of.says)
		})
	}
	p, err := Run(slow, rep, 900, 901)
	require.NoError(t, err, "beyond the end is white paper")
	assert.Contains(t, words(p), "no samples here")
}

func TestTicks(t *testing.T) {
	for _, of := range []struct {
		a     axis
		about int
		words string
	}{
		{axis{least: 0, most: 96}, 10, "0 10 20 30 40 50 60 70 80 90"},
		{axis{least: 7.9, most: 8.1}, 5, "7.90 7.95 8.00 8.05 8.10"},
		{axis{least: -220, most: 60}, 5, "−200 −100 0"},
		{axis{least: 12.0001, most: 12.0004}, 3, "12.0001 12.0002 12.0003 12.0004"},
		{axis{least: 1e-4, most: 0.1, log: true}, 0, "100 µ 1 m 10 m 100 m"},
	} {
		_, words := of.a.ticks(of.about)
		assert.Equal(t, of.words, strings.Join(words, " "))
	}
}

// What an SVG's path says, read by the grammar of SVG 1.1, 8.3.9 (numbers may follow
// each other without a space where a sign or a second point begins the next), is
// where the points are, to a tenth of a pixel, however long the path.
func TestPathsSayWhereThePointsAre(t *testing.T) {
	dice := rand.New(rand.NewPCG(5, 6))
	path := []point{{0, 0}, {0.1, -0.1}, {10.5, 20.5}, {-100.3, 0.5}, {10, 0.5}, {10, 0.5}}
	for range 2000 {
		path = append(path, point{dice.Float64() * 800, dice.Float64()*400 - 50})
	}
	var b bytes.Buffer
	way(&b, path)
	words := regexp.MustCompile(`[Ml]|-?(\d+\.?\d*|\.\d+)`).FindAllString(b.String(), -1)
	var at point
	var got []point
	var numbers []float64
	for _, w := range words {
		if v, err := strconv.ParseFloat(w, 64); err == nil {
			numbers = append(numbers, v)
		}
	}
	for i := 0; i+1 < len(numbers); i += 2 {
		at = point{at.x + numbers[i], at.y + numbers[i+1]}
		got = append(got, at)
	}
	require.Len(t, got, len(path))
	for i := range path {
		require.InDelta(t, path[i].x, got[i].x, 0.051, "point %d", i)
		require.InDelta(t, path[i].y, got[i].y, 0.051, "point %d", i)
	}
}
