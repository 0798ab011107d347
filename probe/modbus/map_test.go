package modbus

import (
	"bytes"
	"encoding/json"
	"os"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"

	"loomproof/probe"
	"loomproof/probe/layout"
)

func example(t testing.TB) []byte {
	text, err := os.ReadFile("testdata/panel-meter.yaml")
	require.NoError(t, err)
	return text
}

func TestMapWithEveryKey(t *testing.T) {
	m, err := ReadMap("panel-meter.yaml", example(t))
	require.NoError(t, err)
	assert.Equal(t, "Reedbed Instruments", m.Maker)
	assert.Equal(t, "two-channel panel meter", m.Model)
	assert.Equal(t, byte(1), m.Address)
	require.Len(t, m.Channels, 2)
	volts := m.Channels[0]
	assert.InDelta(t, 1e-4, volts.Scale, 1e-18, "a tenth of a millivolt")
	assert.InDelta(t, 1e-4, volts.Step, 1e-18)
	assert.InDelta(t, 60, volts.Range, 1e-9)
	assert.Equal(t, map[uint32]bool{0x7FFFFFFF: true, 0x80000000: true}, volts.Overload)
	volts.Scale, volts.Step, volts.Range, volts.Overload = 0, 0, 0, nil
	assert.Equal(t, MapChannel{
		Name: "bus voltage", Quantity: probe.Voltage, Function: 4, Register: 16, Kind: Int32, Order: CDAB,
		Accuracy: probe.Accuracy{OfReading: 0.002, Digits: 2, OfRange: 0.001},
	}, volts)
	assert.Equal(t, MapChannel{
		Name: "shunt current", Quantity: probe.Current, Function: 3, Register: 32, Kind: Float32, Order: ABCD,
		Scale: 1, Step: 0.01, Range: 60, Accuracy: probe.Accuracy{OfReading: 0.005, Digits: 1}, Overload: map[uint32]bool{},
	}, m.Channels[1])
}

func TestMapMistakes(t *testing.T) {
	good := string(example(t))
	for what, c := range map[string]struct{ old, new, want string }{
		"unknown key":        {"    register: 32", "    register: 32\n    bytes: 4", `m.yaml:24:5: channel "shunt current" has no "bytes"; known: quantity, unit, function, register, kind, order, scale, offset, step, range, accuracy, overload`},
		"missing":            {"    register: 32\n", "", `m.yaml:22:5: channel "shunt current": "register" is missing`},
		"kind":               {"kind: float32", "kind: float64", `m.yaml:24:11: kind: "float64" is unknown; write one of int16, uint16, int32, uint32, float32`},
		"order":              {"order: CDAB", "order: ABDC", `m.yaml:15:12: order: "ABDC" is unknown; write one of ABCD, CDAB, BADC, DCBA`},
		"unit":               {"unit: mV", "unit: mA", `m.yaml:9:3: channel "bus voltage": unit "mA" is no unit of voltage; write V, mV, kV`},
		"register":           {"register: 32", "register: 70000", `m.yaml:23:15: register: "70000" is not a whole number from 0 to 65535`},
		"numbering":          {"register: 32", "register: 400033", `m.yaml:23:15: register: 400033 looks like the numbering that begins at 400001; write the number that is sent, from 0: 32, and function 3 or 4`},
		"function":           {"function: 4", "function: 6", `m.yaml:12:15: function: "6" is not a whole number from 3 to 4`},
		"address":            {"address: 1", "address: 0", `m.yaml:6:10: address: "0" is not a whole number from 1 to 247`},
		"scale":              {"scale: 0.1", "scale: 0", `m.yaml:16:12: scale: "0" is no number other than 0; give what one step of the register is worth`},
		"not a number":       {"scale: 0.1", "scale: NaN", `m.yaml:16:12: scale: "NaN" is no number other than 0; give what one step of the register is worth`},
		"digits of a float":  {"    step: 0.01", "    offset: 0", `m.yaml:21:3: channel "shunt current": its accuracy counts digits, but a float32 has none; give "step", what the last digit of its display is worth`},
		"accuracy":           {"0.5% + 1 digit", "good", `m.yaml:27:15: accuracy: "good": "good" is neither a percentage of the reading or range nor digits; write it like 0.5% + 3 digits + 0.01% of range`},
		"format":             {"modbus-map: 1", "modbus-map: 2", `m.yaml:3:13: modbus-map: format "2" is unknown; this program reads 1`},
		"twice":              {"  shunt current:", "  bus voltage:", `m.yaml:21:3: channels: "bus voltage" stands twice; give one of them another name`},
		"no value":           {"range: 60\n", "range:\n", `m.yaml:26:5: "range" has no value; give it one or take the line out`},
		"overload too large": {"0x80000000]", "0x800000000]", `m.yaml:20:28: overload: "0x800000000" is not a whole number from 0 to 4294967295`},
	} {
		require.Contains(t, good, c.old, what)
		text := strings.Replace(good, c.old, c.new, 1)
		_, err := ReadMap("m.yaml", []byte(text))
		if assert.Error(t, err, what) {
			assert.Equal(t, c.want, strings.Split(err.Error(), "\n")[0], what)
		}
	}
	for text, want := range map[string]string{
		"":               "m.yaml:1:1: the file is empty; begin with \"modbus-map: 1\"",
		"- a":            "m.yaml:1:1: the map: modbus-map, maker, model, address, channels are wanted here, as \"name: value\" lines",
		"a: b: c":        "m.yaml:1:1: not YAML: mapping values are not allowed in this context; check the indentation and the quotes here and just above",
		"a: &x 1\nb: *x": "m.yaml:1:1: the map has no \"a\"",
		"modbus-map: 1\nmodel: m\nchannels:\n  volts:": `m.yaml:4:3: channel "volts" has nothing below it; give quantity, register and kind`,
		"modbus-map: 1\nmodel: m\nchannels: {}":        "m.yaml:1:1: the map has no channels; name one at least",
	} {
		_, err := ReadMap("m.yaml", []byte(text))
		assert.ErrorContains(t, err, want, text)
	}
}

// The schema and the reader know the same keys, and take and refuse the same.
func TestSchema(t *testing.T) {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema()))
	require.NoError(t, err)
	c := jsonschema.NewCompiler()
	require.NoError(t, c.AddResource("map.json", doc))
	s, err := c.Compile("map.json")
	require.NoError(t, err)
	check := func(text string) error {
		var v any
		require.NoError(t, yaml.Unmarshal([]byte(text), &v))
		asJSON, err := json.Marshal(v)
		require.NoError(t, err)
		value, err := jsonschema.UnmarshalJSON(bytes.NewReader(asJSON))
		require.NoError(t, err)
		return s.Validate(value)
	}
	good := string(example(t))
	require.NoError(t, check(good))
	for _, change := range [][2]string{
		{"kind: float32", "kind: float64"},
		{"register: 32", "register: 70000"},
		{"function: 4", "function: 6"},
		{"address: 1", "address: 0"},
		{"modbus-map: 1", "modbus-map: 2"},
		{"step: 0.01", "stepp: 0.01"},
		{"    register: 32\n", ""},
		{"range: 60\n", "range: 0\n"},
	} {
		require.Contains(t, good, change[0])
		text := strings.Replace(good, change[0], change[1], 1)
		assert.Error(t, check(text), change)
		_, err := ReadMap("m.yaml", []byte(text))
		assert.Error(t, err, change)
	}
}

// A map of any bytes is read or refused with the place; what is read makes sense.
func FuzzReadMap(f *testing.F) {
	f.Add(example(f))
	f.Add([]byte("modbus-map: 1\nmodel: m\nchannels: {v: {quantity: voltage, register: 0, kind: int16, unit: kV, overload: 0x7FFF}}"))
	f.Add([]byte("a: &a [*a]"))
	f.Fuzz(func(t *testing.T, text []byte) {
		m, err := ReadMap("m.yaml", text)
		if err != nil {
			require.IsType(t, layout.Errors{}, err)
			for _, e := range err.(layout.Errors) {
				require.Positive(t, e.Line)
				require.Positive(t, e.Column)
				require.NotEmpty(t, e.Text)
			}
			return
		}
		require.NotEmpty(t, m.Channels)
		require.True(t, m.Address >= 1 && m.Address <= 247)
		for _, c := range m.Channels {
			require.NotEmpty(t, c.Quantity.Unit())
			require.NotZero(t, c.Scale)
			require.GreaterOrEqual(t, c.Step, 0.0)
			require.Contains(t, kinds, c.Kind)
			require.Contains(t, orders, c.Order)
		}
	})
}
