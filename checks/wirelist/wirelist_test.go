package wirelist_test

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/wirelist"
)

var update = flag.Bool("update", false, "write the golden files anew")

var options = wirelist.Options{Name: "Marsh Hen", Nominal: 14}

func golden(t *testing.T, path, have string) {
	t.Helper()
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(have), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, string(want), have)
}

func told(c *wirelist.Conversion, err error) string {
	if err != nil {
		return err.Error() + "\n"
	}
	var b strings.Builder
	for _, n := range c.Notes {
		fmt.Fprintln(&b, n.String())
	}
	return b.String()
}

func lists(t testing.TB) map[string][]byte {
	t.Helper()
	files, err := filepath.Glob("testdata/*.[ct]sv")
	require.NoError(t, err)
	out := map[string][]byte{}
	for _, file := range files {
		out[file], err = os.ReadFile(file)
		require.NoError(t, err)
	}
	return out
}

// Each list below testdata has the design that is made of it and everything
// that is told about it beside it.
func TestLists(t *testing.T) {
	for file, text := range lists(t) {
		t.Run(filepath.Base(file), func(t *testing.T) {
			c, err := wirelist.Convert(filepath.Base(file), text, options)
			base := strings.TrimSuffix(file, filepath.Ext(file))
			golden(t, base+".txt", told(c, err))
			if err == nil {
				golden(t, base+".yaml", string(c.Design))
				soundAndWhole(t, text, c, true)
			}
		})
	}
}

// soundAndWhole holds a conversion to what is promised: the design parses,
// it can be solved, no row is lost and, of a sensible list, every load has a way
// there and back.
func soundAndWhole(t *testing.T, text []byte, c *wirelist.Conversion, sensible bool) {
	t.Helper()
	d, err := design.Parse("made.yaml", c.Design)
	require.NoError(t, err)
	runs := 0
	for _, k := range d.All() {
		runs += len(k.Runs)
		if sensible && k.Load != nil {
			assert.NotNil(t, d.Return(k), "%s: return", k.Name)
		}
		if sensible && k.Load != nil && k.Bus != "" {
			assert.NotNil(t, d.Feed(k), "%s: feed", k.Name)
		}
	}
	assert.GreaterOrEqual(t, runs, c.Runs)
	m := airframe.New(d)
	m.Set(airframe.AllOn(d, "battery"))
	_, err = m.Starved()
	assert.NoError(t, err)
	nothingLost(t, string(text), string(c.Design))
}

// nothingLost: every word of the list stands in the design. The header is the
// only row that is not kept.
func nothingLost(t *testing.T, list, made string) {
	t.Helper()
	list = strings.NewReplacer("\ufeff", "", "\"\"", "\"", ",", " ", ";", " ", "|", " ").Replace(list)
	made = strings.NewReplacer(",", " ", ";", " ", "|", " ").Replace(made)
	header := false
	for line := range strings.Lines(list) {
		low := strings.ToLower(line)
		if !header && (strings.Contains(low, "from") || strings.Contains(low, "von")) {
			header = true
			continue
		}
		for _, word := range strings.Fields(line) {
			assert.Contains(t, made, strings.Trim(word, "\""), "of %q", line)
		}
	}
}

func convert(t *testing.T, text string) (*wirelist.Conversion, *design.Design) {
	t.Helper()
	c, err := wirelist.Convert("list.csv", []byte(text), options)
	require.NoError(t, err)
	d, err := design.Parse("made.yaml", c.Design)
	require.NoError(t, err)
	return c, d
}

// A list that says everything gives a design that says the same.
func TestATidyListIsReadAsItIsMeant(t *testing.T) {
	text, err := os.ReadFile("testdata/tidy.csv")
	require.NoError(t, err)
	c, d := convert(t, string(text))
	assert.Empty(t, c.Of(wirelist.Mistake))
	radio := d.Circuit("radio")
	require.NotNil(t, radio)
	assert.Equal(t, []string{"main", "radio.breaker", "J2.1", "P2.1", "radio.load+"}, d.Feed(radio))
	assert.Equal(t, []string{"radio.load-", "P2.2", "J2.2", "G4"}, d.Return(radio))
	assert.InDelta(t, 7.5, float64(radio.Breaker.Rating), 1e-9)
	assert.InDelta(t, 5, radio.Load.Draw.At(14), 1e-9)
	assert.InDelta(t, 2*0.3048, float64(radio.Runs[0].Length), 1e-4)
	assert.Equal(t, []string{"avionics", "transponder.breaker", "transponder.load+"}, d.Feed(d.Circuit("transponder")))
	assert.Equal(t, []string{"main", "landing-light.breaker", "landing-light.switch.in", "landing-light.switch.out", "landing-light.load+"}, d.Feed(d.Circuit("landing-light")))
	assert.True(t, d.Circuit("alternator").Feeder)
	assert.Equal(t, []string{"battery+", "master.switch.in", "master.switch.out", "main"}, d.Path("battery+", "main"))
}

// One wire, its values written in each of the ways that people write them.
func TestValuesAsPeopleWriteThem(t *testing.T) {
	for _, x := range []struct {
		header, gauge, length string
		want                  string
		metres                float64
	}{
		{"Gauge,Length", "22 AWG", "1.8 m", "22 AWG", 1.8},
		{"Gauge,Length", "AWG22", "6 ft", "22 AWG", 1.8288},
		{"Gauge,Length", "awg 22", "72 in", "22 AWG", 1.8288},
		{"Gauge,Length", "#22", "6'", "22 AWG", 1.8288},
		{"Gauge,Length", "22ga", `"6' 4"""`, "22 AWG", 1.9304},
		{"Gauge,Length", "2/0 AWG", "6ft 4in", "00 AWG", 1.9304},
		{"Gauge,Length", "0.35 mm²", "180 cm", "0.35 mm²", 1.8},
		{"Gauge,Length", "0.35 mm2", "1800 mm", "0.35 mm²", 1.8},
		{"Gauge,Length", `"0,35 mm²"`, `"1,8 m"`, "0.35 mm²", 1.8},
		{"Gauge,Length", "22 AWG", `"1,800 mm"`, "22 AWG", 1.8},
		{"Gauge,Length", "22 AWG", "~6 FT", "22 AWG", 1.8288},
		{"Gauge,Length", "22 AWG", "6’", "22 AWG", 1.8288},
		{"AWG,Length (ft)", "22", "6", "22 AWG", 1.8288},
		{"Size [mm²],Length / m", "0.35", "1.8", "0.35 mm²", 1.8},
		{"Wire Size (AWG),\"Length, in\"", "22", "72", "22 AWG", 1.8288},
		{"Section mm2,Length in metres", "0.5", "1.8", "0.5 mm²", 1.8},
		{"Awg,Feet", "22", "6.0", "22 AWG", 1.8288},
	} {
		t.Run(x.gauge+" "+x.length, func(t *testing.T) {
			c, d := convert(t, "Circuit,From,To,"+x.header+"\nradio,CB1,RADIO,"+x.gauge+","+x.length+"\n")
			assert.Empty(t, c.Of(wirelist.Mistake))
			r := d.Circuit("radio").Runs[0]
			assert.Equal(t, x.want, r.Gauge.String())
			assert.InDelta(t, x.metres, float64(r.Length), 1e-4)
		})
	}
}

// What an end is taken for.
func TestEnds(t *testing.T) {
	for _, x := range []struct{ end, want string }{
		{"MAIN BUS", "main"},
		{"Avionics Bus", "avionics"},
		{"AVIONICS", "avionics"},
		{"BUS", "main"},
		{"G1", "G1"},
		{"GND", "gnd"},
		{"ENGINE GROUND", "engine-ground"},
		{"J1-3", "J1.3"},
		{"p1.3", "P1.3"},
		{"J1 pin 3", "J1.3"},
		{"J1(3)", "J1.3"},
		{"J1-C", "J1.3"},
		{"SPLICE 4", "splice-4"},
		{"TB1-2", "tb1-2"},
		{"BATT+", "battery+"},
		{"Battery (-)", "battery-"},
		{"ALT B+", "alternator+"},
		{"RADIO GND", "radio.load-"},
		{"RADIO PWR", "radio.load+"},
		{"ALT FIELD", "radio.load+"},
		{"SW1", "radio.switch.in"},
		{"MASTER RELAY OUT", "radio.switch.out"},
		{"CB3", "radio.breaker"},
		{"5A FUSE", "radio.breaker"},
	} {
		t.Run(x.end, func(t *testing.T) {
			_, d := convert(t, "Circuit,From,To,AWG,m\nradio,SPLICE 9,"+x.end+",20,1\n")
			var ends []string
			for _, k := range d.All() {
				for _, r := range k.Runs {
					if r.From == "splice-9" {
						ends = append(ends, r.To)
					}
				}
			}
			assert.Equal(t, []string{x.want}, ends)
		})
	}
}

// Lists made of words that people use, at random: each is sound and whole.
func TestAnyListIsSoundAndWhole(t *testing.T) {
	random := rand.New(rand.NewPCG(14, 28))
	pick := func(from ...string) string { return from[random.IntN(len(from))] }
	end := func() string {
		return pick("MAIN BUS", "AVIONICS BUS", "CB1", "CB2", "F3", "SW1", "SW2", "STARTER RELAY", "J1-1", "P1-1", "J1-2", "P1-2", "J2-9", "J7", "G1", "GND", "PANEL GROUND",
			"BATT+", "BATT-", "ALT B+", "RADIO", "RADIO GND", "PUMP +", "PUMP -", "LEFT LIGHT", "SPLICE 1", "SPLICE", "SWITCH", "CB", "", "?")
	}
	for range 300 {
		var b strings.Builder
		b.WriteString("Wire,Circuit,From,To,Gauge,Length,Breaker,Load\n")
		for i := range 1 + random.IntN(12) {
			fmt.Fprintf(&b, "W%d,%s,%s,%s,%s,%s,%s,%s\n", i, pick("", "", "Radio", "Pump", "Lights", "Feed"), end(), end(),
				pick("22 AWG", "18 AWG", "", "thin"), pick("1 m", "6 ft", "", "9 miles"), pick("5 A", "", "", "lots"), pick("2 A", "20 W", "", ""))
		}
		c, err := wirelist.Convert("random.csv", []byte(b.String()), options)
		require.NoError(t, err, b.String())
		soundAndWhole(t, []byte(b.String()), c, false)
		if t.Failed() {
			t.Fatalf("the list was:\n%s\nand the design:\n%s", b.String(), c.Design)
		}
	}
}

func TestUTF16AndLatin1AreRead(t *testing.T) {
	list := "Circuit;From;To;mm²;m\nradio;CB1;RADIO;0,5;1,2\n"
	wide := []byte{0xff, 0xfe}
	for _, r := range list {
		wide = append(wide, byte(r), byte(r>>8))
	}
	var latin []byte
	for _, r := range list {
		latin = append(latin, byte(r))
	}
	for _, text := range [][]byte{wide, latin, []byte(strings.ReplaceAll(list, "\n", "\r"))} {
		_, d := convert(t, string(text))
		assert.Equal(t, "0.5 mm²", d.Circuit("radio").Runs[0].Gauge.String())
		assert.InDelta(t, 1.2, float64(d.Circuit("radio").Runs[0].Length), 1e-9)
	}
}

func TestTwoWiresOfANumberAreTold(t *testing.T) {
	c, d := convert(t, "Wire,Circuit,From,To,AWG,m\n7,radio,CB1,RADIO,20,1\n7,radio,RADIO,G1,20,1\n")
	require.Len(t, d.Circuit("radio").Runs, 2)
	assert.Contains(t, told(c, nil), `list.csv:3:1: guess: wire number "7" stands in line 2 too`)
}

// A header means one thing, whichever way the map is walked.
func TestSynonymsAreUnique(t *testing.T) {
	for range 20 {
		c, _ := convert(t, "No,System,Start,End,Size (AWG),Len (ft),CB (A),Draw (A),Harness\n1,radio,CB1,RADIO,20,1,5,2,panel\n")
		assert.Empty(t, c.Of(wirelist.Mistake))
		assert.Contains(t, string(c.Design), `{name: "1", from: breaker, to: load+, gauge: 20 AWG, length: 0.3048 m, bundle: "panel"}`)
		assert.Contains(t, string(c.Design), "rating: 5 A")
		assert.Contains(t, string(c.Design), "draw: 2 A")
	}
}

func TestWhatIsNoWireListIsTold(t *testing.T) {
	for text, want := range map[string]string{
		"PK\x03\x04...": "save the sheet as CSV",
		"a\x00b":        "not a text file",
		"":              "make the first row like this",
		"Part,Count\n1": "make the first row like this",
	} {
		_, err := wirelist.Convert("list.csv", []byte(text), options)
		assert.ErrorContains(t, err, want)
		assert.ErrorContains(t, err, "list.csv:1:1: ")
	}
	_, err := wirelist.Convert("list.csv", []byte("From,To\n"+strings.Repeat("A,B\n", 4000)), options)
	assert.ErrorContains(t, err, "list.csv:4001:1: the list has 4001 rows")
}

// Whatever the bytes, there is an error or a design that parses.
func FuzzConvert(f *testing.F) {
	for _, text := range lists(f) {
		f.Add(text)
	}
	f.Add([]byte("From,To,Circuit\n\"a,b\nc"))
	f.Add([]byte("From,To,AWG,Length\nnull,yes,2/0,1.234,5 m\nBUS,bus,8,1.000\nJ1-0,P1-999,,\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		c, err := wirelist.Convert("fuzz.csv", text, options)
		if err != nil {
			note, ok := err.(wirelist.Note)
			require.True(t, ok, "%v", err)
			assert.Positive(t, note.Line)
			return
		}
		_, err = design.Parse("fuzz.yaml", c.Design)
		require.NoError(t, err)
	})
}

func BenchmarkConvert(b *testing.B) {
	text := lists(b)["testdata/tidy.csv"]
	b.ReportAllocs()
	for b.Loop() {
		if _, err := wirelist.Convert("tidy.csv", text, options); err != nil {
			b.Fatal(err)
		}
	}
}
