package csvlog

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/recording"
)

func read(t *testing.T, text string) *recording.Memory {
	t.Helper()
	m, err := Read(strings.NewReader(text), Options{Name: "run.csv"})
	require.NoError(t, err)
	return m
}

func values(t *testing.T, m recording.Recording, channel int) (out []float64, blocks int) {
	t.Helper()
	for b, err := range m.Blocks(channel, math.Inf(-1), math.Inf(1)) {
		require.NoError(t, err)
		blocks++
		for _, code := range b.Codes {
			out = append(out, m.Channels()[channel].Value(code))
		}
	}
	return out, blocks
}

func TestReadsWhatPeopleWrite(t *testing.T) {
	for name, text := range map[string]string{
		"commas":        "time (s),bus (V),battery current (A)\n0,12.73,-0.25\n0.001,12.5,-0.5\n0.002,12.74,1\n",
		"semicolons":    "time [s];bus [V];battery current [A]\n0;12,73;-0,25\n0,001;12,5;-0,5\n0,002;12,74;1\n",
		"tabs":          "t ms\tbus V\tbattery_current_A\n0\t12.73\t-0.25\n1\t12.5\t-0.5\n2\t12.74\t1\n",
		"millivolts":    "time_s,bus_mV,battery current_mA\n0,12730,-250\n0.001,12500,-500\n0.002,12740,1000\n",
		"dates":         "time,bus (V),battery current (A)\n2026-05-02T09:00:00Z,12.73,-0.25\n2026-05-02T09:00:00.001Z,12.5,-0.5\n2026-05-02T09:00:00.002Z,12.74,1\n",
		"byte order":    "\ufefftime (s),bus (V),battery current (A)\n0,12.73,-0.25\n0.001,12.5,-0.5\n0.002,12.74,1\n",
		"comment lines": "time (s),bus (V),battery current (A)\n# by hand\n0,12.73,-0.25\n0.001,12.5,-0.5\n0.002,12.74,1\n",
	} {
		t.Run(name, func(t *testing.T) {
			m := read(t, text)
			bus, blocks := values(t, m, 0)
			assert.InDeltaSlice(t, []float64{12.73, 12.5, 12.74}, bus, 1e-9)
			assert.Equal(t, 1, blocks)
			current, _ := values(t, m, 1)
			assert.InDeltaSlice(t, []float64{-0.25, -0.5, 1}, current, 1e-9)
			assert.Equal(t, recording.BusVolts, m.Channels()[0].Role)
			assert.Equal(t, recording.BatteryCurrent, m.Channels()[1].Role)
			assert.InDelta(t, 1000, m.Channels()[0].Rate, 1)
		})
	}
}

// What an engine monitor writes: a time of day over midnight, units as words, a
// great many columns that are none of our business, dashes where it has nothing.
func TestALogOfAnEngineMonitor(t *testing.T) {
	const log = "# log 17\n" +
		"Local Date,Local Time,RPM,Volts,Batt Amps,Amps,OAT (C),Fuel Flow (gph),Mode\n" +
		"2026-05-02,23:59:59,900,12.4,-4.5,3,11,0.2,taxi\n" +
		"2026-05-03,00:00:00,1800,13.9,8.0,---,11,2.2,run\n" +
		"2026-05-03,00:00:01,1800,14.1,7.5,3,11,2.2,run\n"
	var told []string
	m, err := Read(strings.NewReader(log), Options{Name: "log.csv", Tell: func(s string) { told = append(told, s) }})
	require.NoError(t, err)
	var roles []recording.Role
	for _, ch := range m.Channels() {
		roles = append(roles, ch.Role)
	}
	assert.Equal(t, []recording.Role{recording.EngineSpeed, recording.BusVolts, recording.BatteryCurrent, "", ""}, roles)
	assert.Equal(t, "2026-05-02T23:59:59Z", m.Start().Format(time.RFC3339))
	volts, blocks := values(t, m, 1)
	assert.InDeltaSlice(t, []float64{12.4, 13.9, 14.1}, volts, 1e-9)
	assert.Equal(t, 1, blocks, "a second apart, over midnight")
	amps, _ := values(t, m, 3)
	assert.Len(t, amps, 2)
	require.Len(t, told, 3)
	assert.Contains(t, told[0], `column 6, "Amps": its name does not tell what it is of; say it with --channel "Amps=battery current"`)
	assert.Contains(t, told[1], `left out: column 8, "Fuel Flow (gph)": no unit that is known`)
	assert.Contains(t, told[2], `"Mode"`)

	m = read(t, "Time,Alt Amps,V\n23:59:58.5,8,13.9\n23:59:59.5,8,13.9\n00:00:00.5,8,13.9\n")
	assert.Equal(t, recording.AlternatorCurrent, m.Channels()[0].Role)
	assert.InDelta(t, 1, m.Channels()[0].Rate, 1e-9)
	assert.Zero(t, m.Start().Unix(), "the day is not known")
}

func TestSpeedIsInTurnsASecond(t *testing.T) {
	m := read(t, "time (s),engine (rpm),regulator (°F)\n0,1800,68\n1,1200,86\n")
	speed, _ := values(t, m, 0)
	assert.InDeltaSlice(t, []float64{30, 20}, speed, 1e-9)
	celsius, _ := values(t, m, 1)
	assert.InDeltaSlice(t, []float64{20, 30}, celsius, 1e-9)
}

// Rows and cells that are missing are gaps, not samples.
func TestWhatIsMissingIsAGap(t *testing.T) {
	var b strings.Builder
	b.WriteString("time (s),bus (V),battery current (A)\n")
	for i := range 100 {
		cell := "1.5"
		if i >= 20 && i < 25 {
			cell = ""
		}
		if i < 50 || i >= 60 {
			fmt.Fprintf(&b, "%.3f,12.5,%s\n", float64(i)/100, cell)
		}
	}
	m := read(t, b.String())
	gaps, err := recording.Gaps(m, 0, 0, 10)
	require.NoError(t, err)
	require.Len(t, gaps, 1)
	assert.Equal(t, int64(10), gaps[0].Lost)
	gaps, err = recording.Gaps(m, 1, 0, 10)
	require.NoError(t, err)
	require.Len(t, gaps, 2)
	assert.Equal(t, int64(5), gaps[0].Lost)
}

// Times rounded to a millisecond at 300 rows a second are one block still.
func TestRoundedTimesAreNoGaps(t *testing.T) {
	var b strings.Builder
	b.WriteString("time (s),bus (V)\n")
	for i := range 20000 {
		fmt.Fprintf(&b, "%.3f,12.5\n", float64(i)/300)
	}
	m := read(t, b.String())
	gaps, err := recording.Gaps(m, 0, 0, 1000)
	require.NoError(t, err)
	assert.Empty(t, gaps)
	v, _ := values(t, m, 0)
	assert.Len(t, v, 20000)
	assert.InDelta(t, 300, m.Channels()[0].Rate, 0.5)
}

func TestBadLogsAreRefusedWithThePlace(t *testing.T) {
	for _, tt := range []struct{ text, want string }{
		{"", "run.csv: the file is empty"},
		{"hello\n", "neither commas, semicolons nor tabs"},
		{"time (s),bus (V)\n", "no row of values"},
		{"time (h),bus (V)\n0,1\n", `column 1`},
		{"bus (V),time (s)\n0,1\n", "first column is the time"},
		{"time (s),bus (V)\n12:00:01,12\n12:00:01,12\n", "where several rows share a second"},
		{"date,time,bus (V)\n2026-05-02,9 o'clock,12\n", `run.csv:2: "2026-05-02 9 o'clock" is no time`},
		{"time (s),bus\n0,1\n", `run.csv:1: column 2, "bus": no unit that is known; write it behind the name: bus (V)`},
		{"time (s),bus (parsec)\n0,1\n", "no unit that is known"},
		{"time (s),bus (V),bus (V)\n0,1,1\n", "stands twice"},
		{"time (s),bus (V)\n0,12\n0.1,twelve\n", `run.csv:3: column 2, bus: "twelve" is no number`},
		{"time (s),bus (V)\n0,12\n0,12\n", "run.csv:3: time 0 does not come after"},
		{"time (s),bus (V)\nnoon,12\n", `run.csv:2: "noon" is no time`},
		{"time (s),bus (V)\n0,1e300\n", "beyond what a channel holds"},
		{"time (s),bus (V)\n0,5e12\n", "beyond what a channel holds"},
		{"time (s),bus (V)\n0,1,2\n", "wrong number of fields"},
	} {
		_, err := Read(strings.NewReader(tt.text), Options{Name: "run.csv"})
		assert.ErrorContains(t, err, tt.want, tt.text)
	}
	_, err := Read(strings.NewReader("time (s),U (V)\n0,12\n"), Options{Name: "run.csv", Roles: map[string]recording.Role{"V1": recording.BusVolts}})
	assert.ErrorContains(t, err, `no column is called "V1"; there are: U`)
	_, err = Read(strings.NewReader("time (s),U (V)\n0,12\n"), Options{Name: "run.csv", Roles: map[string]recording.Role{"U": recording.BatteryCurrent}})
	assert.ErrorContains(t, err, "a voltage is no battery current")
}

func FuzzRead(f *testing.F) {
	f.Add("time (s),bus (V)\n0,12.5\n0.001,12.6\n")
	f.Add("t;U (mV)\n1;3,5\n2;\n3;4e-3\n")
	f.Fuzz(func(t *testing.T, text string) {
		m, err := Read(strings.NewReader(text), Options{Name: "x"})
		if err != nil {
			return
		}
		for channel := range m.Channels() {
			before := math.Inf(-1)
			for b, err := range m.Blocks(channel, math.Inf(-1), math.Inf(1)) {
				require.NoError(t, err)
				require.Greater(t, b.Start, before)
				before = b.At(len(b.Codes) - 1)
			}
		}
	})
}
