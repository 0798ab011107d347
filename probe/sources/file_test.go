package sources

import (
	"bytes"
	"encoding/json"
	"flag"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	validate "github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"go.yaml.in/yaml/v3"

	"loomproof/probe"
	"loomproof/probe/layout"
)

var update = flag.Bool("update", false, "write the golden files anew")

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// Each file below testdata/bad has something wrong; the golden file beside it has
// every message, whole.
func TestBadFiles(t *testing.T) {
	files, err := filepath.Glob("testdata/bad/*.yaml")
	require.NoError(t, err)
	require.Greater(t, len(files), 10)
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			_, err := Read(file)
			var errs layout.Errors
			require.ErrorAs(t, err, &errs)
			golden := strings.TrimSuffix(file, ".yaml") + ".txt"
			if *update {
				require.NoError(t, os.WriteFile(golden, []byte(err.Error()+"\n"), 0o644))
			}
			want, err2 := os.ReadFile(golden)
			require.NoError(t, err2)
			assert.Equal(t, string(want), err.Error()+"\n")
		})
	}
}

func TestTheStarterIsRead(t *testing.T) {
	f, err := Parse("sources.yaml", Starter())
	require.NoError(t, err)
	assert.Equal(t, []string{"bench meter", "supply"}, f.Names())

	// And so it is with what stands there as comments.
	var all []string
	for l := range strings.Lines(string(Starter())) {
		if rest, ok := strings.CutPrefix(l, "  # "); ok && strings.Contains(rest, ":") {
			l = "  " + rest
		}
		all = append(all, l)
	}
	f, err = Parse("sources.yaml", []byte(strings.Join(all, "")))
	require.NoError(t, err)
	assert.Equal(t, []string{"bench meter", "supply", "handheld", "board", "hand meter", "panel voltmeter"}, f.Names())
	sources, err := f.Sources()
	require.NoError(t, err)
	assert.IsType(t, Supply{}, sources[1])
	assert.IsType(t, Node{}, sources[3])
	assert.Equal(t, map[string]string{"main bus": "main"}, Of(sources[3]).Clipped())

	// A hand meter has both lines of the current, or none: one alone is refused.
	assert.Equal(t, []string{"voltage", "resistance"}, scalesOf(t, f))
	both := strings.ReplaceAll(strings.Join(all, ""), "# current:", "current:")
	f, err = Parse("sources.yaml", []byte(both))
	require.NoError(t, err)
	assert.Equal(t, []string{"voltage", "resistance", "current"}, scalesOf(t, f))
	_, err = Parse("sources.yaml", []byte(strings.Replace(both, "      current: {to: 10 A}\n", "", 1)))
	assert.ErrorContains(t, err, `"hand meter" has no channel "current"; it has voltage, resistance; take this line out, or name one of them`)
}

// scalesOf are those of the hand meter.
func scalesOf(t *testing.T, f *File) (names []string) {
	m, is := f.entries[4].(*typedMeter)
	require.True(t, is)
	for _, c := range m.listed() {
		names = append(names, c.Name)
	}
	return names
}

func TestAFlagIsALineOfTheFile(t *testing.T) {
	f, err := Parse("sources.yaml", Starter())
	require.NoError(t, err)
	require.NoError(t, f.Add("--source", "supply: {kind: scpi supply, port: COM7, mode: 19200 7E2}"))
	require.NoError(t, f.Add("--source", "third: {kind: handheld meter, port: COM8}"))
	assert.Equal(t, []string{"bench meter", "supply", "third"}, f.Names())
	assert.Equal(t, "COM7", f.entries[1].common().Port)
	assert.Equal(t, "19200 7E2", f.entries[1].common().Mode.String())

	assert.EqualError(t, f.Add("--source", "meter"), `--source "meter": write it like meter: {kind: scpi meter, port: /dev/ttyUSB0}`)
	assert.EqualError(t, f.Add("--source", "m: {kind: scpi meter, port: COM1, mode: fast}"), `--source:1:41: mode: mode "fast": the speed is not a whole number; write it like 9600 8N1`)
}

func TestAMissingFileSaysHowToBegin(t *testing.T) {
	_, err := Read("nowhere.yaml")
	assert.ErrorIs(t, err, fs.ErrNotExist)
	assert.EqualError(t, err, "source file nowhere.yaml: file does not exist; loomproof new --sources writes one to start from")
}

func TestTheRangeInUseSaysTheAccuracy(t *testing.T) {
	f, err := Parse("sources.yaml", []byte(`loomproof-sources: 1
sources:
  meter:
    kind: scpi meter
    port: COM1
    accuracy:
      voltage: {20 V: 0.05 % + 3 digits, 200 mV: 0.08 % + 10 digits}
      resistance: {200 ohm: 0.1 %, 2 kΩ: 0.2 %, others: 1 %}
`))
	require.NoError(t, err)
	a := f.entries[0].common().Accuracy
	for _, tt := range []struct {
		channel string
		full    float64
		want    string
	}{
		{"voltage", 0.2, "±(0.08 % of reading + 10 digits)"},
		{"voltage", 0.24, "±(0.08 % of reading + 10 digits)"}, // reaches to 1.2 of its name
		{"voltage", 2, "±(0.05 % of reading + 3 digits)"},
		{"voltage", 0, "±(0.08 % of reading + 10 digits)"}, // not known: the worst
		{"resistance", 2000, "±(0.2 % of reading)"},
		{"resistance", 1e6, "±(1 % of reading)"},
	} {
		got, ok := a.of(tt.channel).on(tt.full)
		assert.True(t, ok)
		assert.Equal(t, tt.want, got.String(), "%s %v", tt.channel, tt.full)
	}
	_, ok := a.of("voltage").on(200)
	assert.False(t, ok)

	sources, err := f.Sources()
	require.NoError(t, err)
	_, err = Of(sources[0]).judge(probe.Reading{Channel: "voltage", Quantity: probe.Voltage, FullScale: 200})
	assert.EqualError(t, err, "meter: refused, out of range: it is on the range up to 200 V, which the source file has no accuracy line for; add a line for that range, or one for others")
}

func TestAModbusMeterIsDescribedByItsMap(t *testing.T) {
	f, err := Parse("../modbus/testdata/sources.yaml", []byte("loomproof-sources: 1\nsources:\n  panel: {kind: modbus meter, port: COM3, map: panel-meter.yaml, address: 7}\n"))
	require.NoError(t, err)
	all, err := f.Sources()
	require.NoError(t, err)
	assert.Equal(t, "19200 8E1", Of(all[0]).kind.Mode.String())

	for text, want := range map[string]string{
		"map: nowhere.yaml":              `source "panel": map file: stat nowhere.yaml: no such file or directory; check its name and folder`,
		"map: /dev/zero":                 `source "panel": map file: /dev/zero is no map file; check its name and folder`,
		"map: file_test.go":              "not YAML",
		"address: 300, map: ../modbus/x": "address 300 is outside 1 to 247",
		"address: 3":                     `"map" is missing`,
	} {
		_, err := Parse("sources.yaml", []byte("loomproof-sources: 1\nsources:\n  panel: {kind: modbus meter, port: COM3, "+text+"}\n"))
		assert.ErrorContains(t, err, want, text)
	}
}

func schemaOf(t *testing.T) *validate.Schema {
	t.Helper()
	doc, err := validate.UnmarshalJSON(bytes.NewReader(Schema()))
	require.NoError(t, err)
	c := validate.NewCompiler()
	require.NoError(t, c.AddResource("s.json", doc))
	s, err := c.Compile("s.json")
	require.NoError(t, err)
	return s
}

func asJSON(t *testing.T, text []byte) any {
	t.Helper()
	var v any
	require.NoError(t, yaml.Unmarshal(text, &v))
	j, err := json.Marshal(v)
	require.NoError(t, err)
	doc, err := validate.UnmarshalJSON(bytes.NewReader(j))
	require.NoError(t, err)
	return doc
}

func TestSchema(t *testing.T) {
	const file = "sources.schema.json"
	if *update {
		require.NoError(t, os.WriteFile(file, Schema(), 0o644))
	}
	have, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, string(Schema()), string(have), "run make generate")

	s := schemaOf(t)
	assert.NoError(t, s.Validate(asJSON(t, Starter())))
	for _, bad := range []string{"no-sources", "unknown-kind", "misspelled-keys", "list-for-map", "node-without-accuracy"} {
		text, err := os.ReadFile("testdata/bad/" + bad + ".yaml")
		require.NoError(t, err)
		assert.Error(t, s.Validate(asJSON(t, text)), bad)
	}
}

func TestEveryKeyIsDescribed(t *testing.T) {
	var walk func(path string, v any)
	walk = func(path string, v any) {
		switch v := v.(type) {
		case map[string]any:
			if p, ok := v["properties"].(map[string]any); ok {
				for key, s := range p {
					said, _ := s.(map[string]any)["description"].(string)
					assert.True(t, strings.HasSuffix(said, "."), "%s.%s: %q", path, key, said)
				}
			}
			for key, s := range v {
				walk(path+"."+key, s)
			}
		case []any:
			for _, s := range v {
				walk(path, s)
			}
		}
	}
	var s map[string]any
	require.NoError(t, json.Unmarshal(Schema(), &s))
	walk("file", s)
}

func FuzzParse(f *testing.F) {
	f.Add(string(Starter()))
	files, _ := filepath.Glob("testdata/bad/*.yaml")
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(text))
	}
	f.Fuzz(func(t *testing.T, text string) {
		file, err := Parse("fuzz.yaml", []byte(text))
		if (file == nil) == (err == nil) {
			t.Fatalf("file %v, error %v", file != nil, err)
		}
	})
}

func TestDue(t *testing.T) {
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	id := probe.Identity{Name: "meter"}
	assert.Empty(t, DueWarning(id, now))
	id.Due = time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC)
	assert.Empty(t, DueWarning(id, now))
	id.Due = time.Date(2026, 12, 20, 0, 0, 0, 0, time.UTC)
	assert.Equal(t, "meter: its calibration is due on 2026-12-20, within a month", DueWarning(id, now))
	id.Due = time.Date(2026, 11, 24, 0, 0, 0, 0, time.UTC)
	assert.Contains(t, DueWarning(id, now), "was due on 2026-11-24")
}
