package schedule_test

import (
	"bytes"
	"encoding/csv"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/units"
	"loomproof/dashboard/schedule"
	"loomproof/scripts"
)

var update = flag.Bool("update", false, "write the golden files anew")

func marshHen(t *testing.T) *schedule.Schedule {
	t.Helper()
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	return schedule.New(d)
}

func TestTheMarshHenAsCSV(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, marshHen(t).CSV(&b))
	const file = "testdata/marsh-hen.csv"
	if *update {
		require.NoError(t, os.WriteFile(file, b.Bytes(), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, string(want), b.String())
}

// Worked by hand from the design and the data sheet of AS22759/16 wire: radio/1
// is 0.6 m of 18 AWG, which has 7.65 lb per 1000 ft. 0.70 m to cut, times
// 7.65 x 0.45359237 / 304.8 kg/m, is 7.97 g.
func TestOneWireByHand(t *testing.T) {
	for _, w := range marshHen(t).Wires {
		if w.Name != "radio/1" {
			continue
		}
		assert.InDelta(t, 0.70, float64(w.Cut), 1e-12)
		assert.InDelta(t, 7.97e-3, float64(w.Mass), 0.005e-3)
		assert.Equal(t, schedule.Ring, w.From.Fitting, "a breaker's screw")
		assert.Equal(t, schedule.Contact, w.To.Fitting)
		assert.Equal(t, "radio/1: radio.breaker to J2.1", w.Label())
		return
	}
	t.Fatal("the design has no radio/1")
}

func TestCutLength(t *testing.T) {
	for installed, want := range map[units.Metres]units.Metres{0.6: 0.70, 0.6001: 0.71, 0.5999: 0.70, 1.8288: 1.93, 0.01: 0.11, 2.1: 2.20, 50: 50.10} {
		assert.InDelta(t, float64(want), float64(schedule.CutLength(installed)), 1e-9, "%v", installed)
	}
}

func TestSumsAreThoseOfTheWires(t *testing.T) {
	s := marshHen(t)
	for _, groups := range [][]schedule.Bundle{s.Bundles(), s.Gauges()} {
		count, cut, mass := 0, units.Metres(0), units.Kilograms(0)
		for _, g := range groups {
			count, cut, mass = count+len(g.Wires), cut+g.Cut(), mass+g.Mass()
		}
		assert.Equal(t, len(s.Wires), count)
		assert.InDelta(t, float64(s.All().Cut()), float64(cut), 1e-9)
		assert.InDelta(t, float64(s.All().Mass()), float64(mass), 1e-12)
	}
	bundles := s.Bundles()
	assert.Empty(t, bundles[len(bundles)-1].Name, "what is in no bundle comes last")
}

const awkward = `loomproof: 1
aircraft: {name: "Hen <b>& Co</b>", nominal: 14 V}
sources:
  battery: {kind: battery, volts: 12.8 V, resistance: 10 mΩ, capacity: 10 Ah}
buses: {main: {}}
grounds: {G1: {}}
splices: {S1: {}}
connectors: {J1: {plug: P1, pins: 3, where: "<script>alert(1)</script>"}}
circuits:
  lamp:
    title: "=HYPERLINK(1)"
    bus: main
    fuse: {rating: 5 A}
    switch: {kind: contactor}
    load: {kind: lamp, draw: 1 A}
    runs:
      - {name: "+1 <i>", from: breaker, to: switch.in, gauge: 20 AWG, length: 1 m, bundle: "@a"}
      - {from: switch.out, to: J1.2, gauge: 20 AWG, length: 1 m}
      - {from: P1.2, to: S1, gauge: 20 AWG, length: 1 m}
      - {from: load+, to: S1, gauge: 20 AWG, length: 1 m}
      - {from: load-, to: G1, gauge: 20 AWG, length: 1 m}
`

func awkwardSchedule(t *testing.T) *schedule.Schedule {
	t.Helper()
	d, err := design.Parse("awkward.yaml", []byte(awkward))
	require.NoError(t, err)
	return schedule.New(d)
}

func TestFittings(t *testing.T) {
	var got []string
	for _, w := range awkwardSchedule(t).Wires {
		got = append(got, string(w.From.Fitting)+", "+string(w.To.Fitting))
	}
	assert.Equal(t, []string{"ring, ring", "ring, connector contact", "connector contact, splice", "as the unit asks, splice", "as the unit asks, ring"}, got)
}

func TestNoTextIsAFormula(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, awkwardSchedule(t).CSV(&b))
	rows, err := csv.NewReader(&b).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 6)
	for _, cell := range rows[1] {
		assert.NotContains(t, "=+-@", cell[:1], cell)
	}
}

// texts gives what stands in each element of a kind and class, as a reader sees it.
func texts(t *testing.T, page, tag, class string) (out []string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(page))
	d.Strict, d.AutoClose, d.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
	depth := 0 // within the element that is being read
	var words []string
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return out
		}
		require.NoError(t, err)
		switch x := token.(type) {
		case xml.StartElement:
			fits := x.Name.Local == tag && class == ""
			for _, a := range x.Attr {
				fits = fits || x.Name.Local == tag && a.Name.Local == "class" && a.Value == class
			}
			if fits || depth > 0 {
				depth++
			}
		case xml.CharData:
			if depth > 0 {
				words = append(words, strings.Fields(string(x))...)
			}
		case xml.EndElement:
			if depth--; depth == 0 {
				out, words = append(out, strings.Join(words, " ")), nil
			}
			depth = max(depth, 0)
		}
	}
}

func TestThePageHasEveryWirePinAndLabel(t *testing.T) {
	s := marshHen(t)
	var b bytes.Buffer
	require.NoError(t, s.HTML(&b))
	page := b.String()
	assert.NotContains(t, page, "<script")
	assert.NotContains(t, page, "http", "nothing from elsewhere")

	labels := texts(t, page, "div", "label")
	require.Len(t, labels, 2*len(s.Wires))
	for i, w := range s.Wires {
		assert.True(t, strings.HasPrefix(labels[2*i], w.Name) && strings.HasPrefix(labels[2*i+1], w.Name), w.Name)
		assert.Contains(t, labels[2*i], "at "+w.From.Terminal)
		assert.Contains(t, labels[2*i+1], "at "+w.To.Terminal)
	}
	rows := texts(t, page, "tr", "")
	count := func(prefix string) (n int) {
		for _, r := range rows {
			if strings.HasPrefix(r, prefix) {
				n++
			}
		}
		return n
	}
	for _, w := range s.Wires {
		assert.Equal(t, 1, count(w.Name+" "+w.Title), "the schedule has %s once", w.Name)
	}
	spare, used := 0, 0
	for _, k := range s.Connectors {
		spare += k.Spare
		used += len(k.Contacts) - k.Spare
	}
	assert.Len(t, texts(t, page, "tr", "spare"), spare)
	assert.Equal(t, 8, used, "contacts that the Marsh Hen uses: J1 1-3, J2 1-3, J3 1-2")
	assert.Equal(t, 1, count("1 radio/1, 18 AWG VHF radio, from radio.breaker radio/2, 18 AWG VHF radio, to radio.load+"))
}

func TestNamesAreEscaped(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, awkwardSchedule(t).HTML(&b))
	page := b.String()
	for _, bad := range []string{"<script", "<i>", "<b>& Co"} {
		assert.NotContains(t, page, bad)
	}
	assert.Contains(t, texts(t, page, "h1", "")[0], "Hen <b>& Co</b>")
	assert.Contains(t, texts(t, page, "h2", "")[2], "<script>alert(1)</script>")
}

func BenchmarkHTML(b *testing.B) {
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		var page bytes.Buffer
		if err := schedule.New(d).HTML(&page); err != nil {
			b.Fatal(err)
		}
	}
}
