package keyboard

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"loomproof/probe"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var (
	_ probe.Source   = (*Meter)(nil)
	_ probe.Counting = (*Meter)(nil)
	_ probe.Settled  = (*Meter)(nil)
)

func TestWhatCanBeTyped(t *testing.T) {
	for line, want := range map[string]struct {
		quantity    probe.Quantity
		value, step float64
	}{
		"12.4":     {probe.Voltage, 12.4, 0.1},
		"12,4":     {probe.Voltage, 12.4, 0.1},
		" 12.4 V ": {probe.Voltage, 12.4, 0.1},
		"12.4V DC": {probe.Voltage, 12.4, 0.1},
		"12.4 v=":  {probe.Voltage, 12.4, 0.1},
		"540 mV":   {probe.Voltage, 0.54, 0.001},
		"-0.5":     {probe.Voltage, -0.5, 0.1},
		"−0.5":     {probe.Voltage, -0.5, 0.1},
		"+3":       {probe.Voltage, 3, 1},
		".5":       {probe.Voltage, 0.5, 0.1},
		"0,540":    {probe.Voltage, 0.54, 0.001},
		"12,45":    {probe.Voltage, 12.45, 0.01},
		"12 amps":  {probe.Current, 12, 1},
		"85 uA":    {probe.Current, 85e-6, 1e-6},
		"4.7k":     {probe.Resistance, 4700, 100},
		"4.7 kΩ":   {probe.Resistance, 4700, 100},
		"4.7 kohm": {probe.Resistance, 4700, 100},
		"1.2 M":    {probe.Resistance, 1.2e6, 1e5},
		"180 °C":   {probe.Temperature, 180, 1},
		"400 Hz":   {probe.Frequency, 400, 1},
	} {
		got, bad := parse(line, want.quantity)
		require.Nil(t, bad, line)
		assert.Equal(t, want.value, got.value, line)
		assert.InEpsilon(t, want.step, got.step, 1e-12, line)
	}
}

func TestWhatIsRefused(t *testing.T) {
	for line, want := range map[string]struct {
		reason probe.Reason
		says   string
	}{
		"OL":                     {probe.Overload, "choose a higher range"},
		"0.L":                    {probe.Overload, ""},
		".OL":                    {probe.Overload, ""},
		"0L":                     {probe.Overload, ""},
		"O.L V":                  {probe.Overload, ""},
		"-OL":                    {probe.Overload, ""},
		"over":                   {probe.Overload, ""},
		"> 30":                   {probe.Overload, ""},
		"> twelve":               {probe.NotANumber, ""},
		"12.4 A":                 {probe.WrongUnit, `"A" was typed where V is wanted`},
		"12.4 Ω":                 {probe.WrongUnit, ""},
		"12.4 mA":                {probe.WrongUnit, ""},
		"12.4 V AC":              {probe.WrongFunction, "turn the meter to DC"},
		"12.4 VAC":               {probe.WrongFunction, ""},
		"12.4 V~":                {probe.WrongFunction, ""},
		"1,200":                  {probe.NotANumber, "type 1.200 or 1200"},
		"1.2.3":                  {probe.NotANumber, "type what the meter shows, as 12.4 or 12.4 V; OL if it is past the end"},
		"1,2,3":                  {probe.NotANumber, ""},
		"1 2":                    {probe.WrongUnit, ""},
		"1e3":                    {probe.WrongUnit, ""},
		"0x10":                   {probe.WrongUnit, ""},
		"":                       {probe.NotANumber, ""},
		"twelve":                 {probe.NotANumber, ""},
		"NaN":                    {probe.NotANumber, ""},
		"inf":                    {probe.NotANumber, ""},
		"--5":                    {probe.NotANumber, ""},
		"-":                      {probe.NotANumber, ""},
		"V":                      {probe.NotANumber, ""},
		"1_000":                  {probe.WrongUnit, ""},
		strings.Repeat("9", 400): {probe.NotANumber, ""},
	} {
		_, bad := parse(line, probe.Voltage)
		if assert.NotNil(t, bad, line) {
			assert.Equal(t, want.reason, bad.reason, "%q: %+v", line, bad)
			assert.Contains(t, bad.detail+"; "+bad.do, want.says, line)
		}
	}
}

// voltmeter is an analogue one that is answered with the lines given.
func voltmeter(t testing.TB, lines ...string) (*Meter, *bytes.Buffer) {
	var asked bytes.Buffer
	m, err := Open(t.Context(), Lines(strings.NewReader(strings.Join(lines, "\n")), &asked), Options{
		Name: "panel voltmeter", Maker: "Reedbed", Model: "Pointer 30", Serial: "12",
		Scales: []Scale{{Channel: "voltage", Quantity: probe.Voltage, High: 30, Class: 1.5, Division: 0.5}},
	})
	require.NoError(t, err)
	return m, &asked
}

func TestAnAnalogueMeter(t *testing.T) {
	m, asked := voltmeter(t, "12,4", "540 mV", "12.4 A", "31", "-1", "OL", "13.8 V")
	r, err := m.Read(t.Context(), "voltage")
	require.NoError(t, err)
	assert.Equal(t, "What does panel voltmeter show? Type the voltage in V: ", asked.String())
	assert.Equal(t, 12.4, r.Value)
	assert.Equal(t, 30.0, r.FullScale)
	assert.Equal(t, 0.5, r.Digit)
	// Class 1.5 on 30 V is 0.45 V anywhere on the scale, and a fifth of a division 0.1 V.
	assert.InDelta(t, 0.55/math.Sqrt(3), r.Uncertainty(), 1e-12)
	assert.Equal(t, probe.Identity{Name: "panel voltmeter", Maker: "Reedbed", Model: "Pointer 30", Serial: "12", Port: "keyboard"}, m.Identity())

	r, err = m.Read(t.Context(), "voltage")
	require.NoError(t, err)
	assert.Equal(t, 0.54, r.Value)
	for _, why := range []probe.Reason{probe.WrongUnit, probe.OutOfRange, probe.OutOfRange, probe.Overload} {
		_, err := m.Read(t.Context(), "voltage")
		var refused *probe.Refusal
		require.ErrorAs(t, err, &refused)
		assert.Equal(t, why, refused.Reason)
		assert.NotEmpty(t, refused.Do)
	}
	_, err = m.Read(t.Context(), "voltage")
	require.NoError(t, err)
	_, err = m.Read(t.Context(), "voltage")
	assert.ErrorIs(t, err, probe.ErrGone, "nobody types any more")
	_, err = m.Read(t.Context(), "current")
	assert.EqualError(t, err, `panel voltmeter: no channel "current"; it has voltage`)
	c := m.Counters()
	assert.Equal(t, uint64(3), c.Samples)
	assert.Equal(t, uint64(2), c.Refused[probe.OutOfRange])
	assert.NoError(t, m.Close())
}

// A meter with digits shows its own sign, and that a resistance is above its range;
// a pointer at its lower stop is told as the danger that it may be.
func TestMinusAndAboveTheRange(t *testing.T) {
	var line string
	ask := func(context.Context, string) (string, error) { return line, nil }
	digits := probe.Accuracy{OfReading: 0.005, Digits: 2}
	m, err := Open(t.Context(), ask, Options{
		Accuracy: map[string]probe.Accuracy{"voltage": digits, "resistance": digits},
		Scales: []Scale{
			{Channel: "voltage", Quantity: probe.Voltage, High: 40},
			{Channel: "resistance", Quantity: probe.Resistance, High: 40e6},
			{Channel: "dial", Quantity: probe.Voltage, High: 30, Class: 1.5, Division: 0.5},
		},
	})
	require.NoError(t, err)
	line = "-12.80"
	r, err := m.Read(t.Context(), "voltage")
	require.NoError(t, err)
	assert.Equal(t, -12.8, r.Value)
	assert.Equal(t, 40.0, r.FullScale)
	var refused *probe.Refusal
	for typed, above := range map[string]float64{"OL": 40e6, "0.L MΩ": 40e6, "> 20 M": 20e6, ".ol": 40e6} {
		line = typed
		_, err = m.Read(t.Context(), "resistance")
		require.ErrorAs(t, err, &refused, typed)
		assert.Equal(t, probe.Overload, refused.Reason, typed)
		assert.Equal(t, above, refused.Above, typed)
	}
	for _, line = range []string{"0", "12", "-3 V", "0."} {
		_, err = m.Read(t.Context(), "voltage")
		require.ErrorAs(t, err, &refused, line)
		assert.Contains(t, refused.Do, "type all that the meter shows, as 0.00", line)
	}
	for _, line = range []string{"0.00", "12.4", "3 mV"} {
		_, err = m.Read(t.Context(), "voltage")
		require.NoError(t, err, line)
	}
	line = "12"
	_, err = m.Read(t.Context(), "dial")
	require.NoError(t, err, "a pointer is read by its divisions")
	line = "-5"
	_, err = m.Read(t.Context(), "resistance")
	require.ErrorAs(t, err, &refused)
	assert.NotContains(t, refused.Detail, Minus, "a resistance has no poles")
	line = "-12.8"
	_, err = m.Read(t.Context(), "dial")
	require.ErrorAs(t, err, &refused)
	assert.Contains(t, refused.Detail, "MINUS, -12.8 V was typed")
	assert.Contains(t, refused.Do, "connected the wrong way round: take it off now")
}

func TestScales(t *testing.T) {
	ask := func(context.Context, string) (string, error) { return "-7 A", nil }
	m, err := Open(t.Context(), ask, Options{Scales: []Scale{{Channel: "ammeter", Quantity: probe.Current, Low: -60, High: 60, Class: 2.5}}})
	require.NoError(t, err)
	r, err := m.Read(t.Context(), "ammeter")
	require.NoError(t, err)
	assert.Equal(t, 120.0, r.FullScale, "both ends, where zero is between them")
	assert.Equal(t, 1.0, r.Digit, "the last place typed")
	m, err = Open(t.Context(), ask, Options{
		Accuracy: map[string]probe.Accuracy{"ammeter": {OfReading: 0.01}},
		Scales:   []Scale{{Channel: "ammeter", Quantity: probe.Current, Low: -60, High: 60, Class: 2.5}},
	})
	require.NoError(t, err)
	assert.Equal(t, probe.Accuracy{OfReading: 0.01}, m.Channels()[0].Accuracy)

	for says, s := range map[string]Scale{
		"has no channel name":             {Quantity: probe.Voltage, High: 30, Class: 1},
		"quantity \"heat\" is unknown":    {Channel: "x", Quantity: "heat", High: 30, Class: 1},
		"must begin at 0 or below":        {Channel: "x", Quantity: probe.Voltage, Low: 5, High: 30, Class: 1},
		"it runs from 0 to NaN":           {Channel: "x", Quantity: probe.Voltage, High: math.NaN(), Class: 1},
		"class -1 is outside":             {Channel: "x", Quantity: probe.Voltage, High: 30, Class: -1},
		"neither a class nor an accuracy": {Channel: "x", Quantity: probe.Voltage, High: 30},
		"is not part of the scale":        {Channel: "x", Quantity: probe.Voltage, High: 30, Class: 1, Division: 31},
	} {
		_, err := Open(t.Context(), ask, Options{Scales: []Scale{s}})
		assert.ErrorContains(t, err, says)
	}
	_, err = Open(t.Context(), ask, Options{})
	assert.ErrorContains(t, err, "no scales")
}

func TestALateAnswerIsNotTheNextOnes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, w := io.Pipe()
		defer w.Close()
		ask := Lines(r, io.Discard)
		ctx, stop := context.WithCancelCause(t.Context())
		go stop(errors.New("no time left"))
		_, err := ask(ctx, "first")
		require.EqualError(t, err, "no time left")
		go func() {
			fmt.Fprintln(w, "12.4")
		}()
		synctest.Wait()
		go func() {
			synctest.Wait()
			fmt.Fprintln(w, "13.8")
		}()
		line, err := ask(t.Context(), "second")
		require.NoError(t, err)
		assert.Equal(t, "13.8", line)
	})
}

// What is taken for a number is a finite one, inside what float64 keeps; and a
// plain number reads as itself, with a point or a comma.
func FuzzParse(f *testing.F) {
	for _, line := range []string{"12.4", "12,4", "12.4 V", "540 mV", "OL", "1,200", "−3 kV", "12.4 V AC", "4.7k"} {
		f.Add(line)
	}
	f.Fuzz(func(t *testing.T, line string) {
		for _, q := range []probe.Quantity{probe.Voltage, probe.Current, probe.Resistance, probe.Temperature, probe.Frequency} {
			got, bad := parse(line, q)
			if bad != nil {
				require.Contains(t, probe.Reasons(), bad.reason)
				require.NotEmpty(t, bad.detail)
				require.NotEmpty(t, bad.do)
				continue
			}
			require.False(t, math.IsNaN(got.value) || math.IsInf(got.value, 0))
			require.Positive(t, got.step)
			require.True(t, strings.ContainsAny(line, "0123456789"))
		}
		if v, err := strconv.ParseFloat(line, 64); err == nil {
			if got, bad := parse(line, probe.Voltage); bad == nil {
				require.Equal(t, v, got.value)
			}
		}
	})
}

func BenchmarkParse(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, bad := parse("540 mV", probe.Voltage); bad != nil {
			b.Fatal(bad)
		}
	}
}

// A number that is asked for is read with its unit, too; above what an instrument
// shows is one for a resistance.
func TestNumbersWithUnits(t *testing.T) {
	for line, want := range map[string]struct {
		unit  string
		value float64
		above bool
	}{
		"550 M":   {"Ω", 550e6, false},
		"> 550 M": {"Ω", 550e6, true},
		"OL":      {"Ω", 0, true}, // which the desk asks about: above what?
		"0,4":     {"Ω", 0.4, false},
		"12,5":    {"°C", 12.5, false},
		"270":     {"°", 270, false},
		"-4 °":    {"°", -4, false},
		"0,85":    {"1", 0.85, false},
		"−0.3":    {"V", -0.3, false},
		"7.5 A":   {"A", 7.5, false},
	} {
		value, above, err := Asked(line, want.unit)
		require.NoError(t, err, line)
		assert.Equal(t, want.value, value, line)
		assert.Equal(t, want.above, above, line)
	}
	for line, want := range map[string]struct{ unit, says string }{
		"warm":  {"°C", `"warm" is no number; type what the meter shows`},
		"north": {"°", `"north" is no number; type digits only, as 45 or 0.85`},
		"0x10":  {"°", `"0x10" is no number`},
		"NaN":   {"1", `"NaN" is no number`},
		"1,200": {"1", `"1,200" can be read two ways; type 1.200 or 1200`},
		"OL":    {"V", `overload: "OL" was typed; choose a higher range`},
		"> 20":  {"A", `overload: "> 20" was typed; choose a higher range`},
		"2 V":   {"Ω", `wrong unit: "V" was typed where Ω is wanted; turn the meter to resistance, and type the number with Ω, mΩ, kΩ, MΩ or nothing`},
		"  ":    {"V", `is no number`},
	} {
		_, _, err := Asked(line, want.unit)
		assert.ErrorContains(t, err, want.says, line)
	}
}

// What is said of how to type is true.
func TestHowItIsTyped(t *testing.T) {
	for unit, lines := range map[string][]string{"Ω": {"0.4", "550M", "> 550M"}, "V": {"12.4", "-0.3"}, "1": {"0.85"}, "°": {"45"}} {
		for _, line := range lines {
			assert.Contains(t, How(unit), line)
			_, _, err := Asked(line, unit)
			assert.NoError(t, err, line)
		}
	}
	assert.Contains(t, HowShown(probe.Resistance), "OL")
	assert.NotContains(t, HowShown(probe.Voltage), "OL")
}
