package bench

import (
	"bufio"
	"math"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
	"loomproof/probe/port"
)

func steady(value float64) func() (float64, bool) {
	return func() (float64, bool) { return value, true }
}

type server interface {
	perform(message string) string
}

// say sends messages one after the other and returns the last answer.
func say(s server, messages ...string) (answer string) {
	for _, m := range messages {
		answer = s.perform(m)
	}
	return answer
}

// What the standards say, not what the drivers do. IEEE 488.2: common
// commands, answers of one message joined by semicolons. SCPI-1999: short and
// long form and nothing between, case-blind, optional nodes, a unit after a
// semicolon goes on from the path, ;: starts at the root. Answer of 15
// characters: the classic bench meters' manuals.
func TestMeterSpeaksSCPI(t *testing.T) {
	const reading = "+1.26000000E+01"
	for _, c := range []struct{ send, want string }{
		{"*IDN?", "REEDBED INSTRUMENTS,BENCH METER,MM0042,1.07"},
		{"*OPC?", "1"},
		{"*TST?", "0"},
		{"READ?", reading},
		{"read?", reading},
		{":READ?", reading},
		{"INIT;FETC?", reading},
		{"INITiate:IMMediate;:FETCh?", reading},
		{"MEAS:VOLT:DC?", reading},
		{"MEASURE:SCALAR:VOLTAGE:DC?", reading},
		{"MEAS:VOLT? 100", reading},
		{"CONF:VOLT:DC;:READ?", reading},
		{"CONF?", `"VOLT +1.000000E+03,+1.000000E-03"`},
		{"FUNC?", `"VOLT"`},
		{"SENS:FUNC:ON?", `"VOLT"`},
		{"READ?;FUNC?;*OPC?", reading + `;"VOLT";1`},
		{"READ?;VOLT:DC:RANG?", reading + ";+1.00000000E+02"},
		{"VOLT:RANG:UPP 10;AUTO?", "0"},
		{"VOLT:DC:RANG 10;RANG?", "+1.00000000E+01"},
		{"VOLT:DC:RANG? MAX", "+1.00000000E+03"},
		{"VOLT:DC:RANG? MIN", "+1.00000000E-01"},
		{"VOLT:RANG:AUTO OFF;AUTO?;AUTO ON;AUTO?", "0;1"},
		{"CONF:VOLT:DC 10;:VOLT:RANG:AUTO?", "0"},
		{"CONF:VOLT:DC 10;:READ?", "+9.90000000E+37"}, // 12.6 V is past 1.2 times 10 V
		{"CONF:VOLT:DC 10,0.001;:VOLT:RANG?", "+1.00000000E+01"},
		{`FUNC "CURR:DC";FUNC?`, `"CURR"`},
		{`FUNC 'FRESISTANCE';FUNC?`, `"FRES"`},
		{"CONF:RES;:READ?", "+4.70000000E+03"},
		{"CONF:FRES;:READ?", "+4.69980000E+03"},
		{"CONF:CURR;:READ?", "+1.25000000E-01"},
		{"*ESE 137;*ESE?", "137"},
		{"*OPC;*ESR?;*ESR?", "1;0"},
		{"SYST:ERR?", `+0,"No error"`},
		{"SYSTEM:ERROR:NEXT?", `+0,"No error"`},
		{"", ""},
		{";;", ""},
	} {
		m := NewMeter(steady(12.6), MeterOptions{Ohms: steady(4699.8), LeadOhms: 0.2, Amperes: steady(0.125)})
		assert.Equal(t, c.want, m.perform(c.send), c.send)
		assert.Equal(t, `+0,"No error"`, m.perform("SYST:ERR?"), c.send)
	}
}

// Numbers and texts are those of SCPI-1999.
func TestMeterReportsErrors(t *testing.T) {
	for _, c := range []struct{ send, want string }{
		{"VOLTAG:RANG?", `-113,"Undefined header"`}, // between the short and the long form
		{"VO?", `-113,"Undefined header"`},
		{"READ", `-113,"Undefined header"`},
		{"CONF:VOLT:AC", `-113,"Undefined header"`},
		{"VOLT::RANG?", `-102,"Syntax error"`},
		{"VOLT:RANG", `-109,"Missing parameter"`},
		{"VOLT:RANG 1,2", `-108,"Parameter not allowed"`},
		{"READ? 5", `-108,"Parameter not allowed"`},
		{"VOLT:RANG ten", `-104,"Data type error"`},
		{"FUNC VOLT", `-104,"Data type error"`},
		{"VOLT:RANG 10 parsecs", `-138,"Suffix not allowed"`},
		{"VOLT:RANG 5000", `-222,"Data out of range"`},
		{"*ESE 256", `-222,"Data out of range"`},
		{`FUNC "TEMP"`, `-224,"Illegal parameter value"`},
		{"VOLT:RANG:AUTO MAYBE", `-224,"Illegal parameter value"`},
		{"FETC?", `-230,"Data corrupt or stale"`},
		{`READ?;:FUNC "RES";:FETC?`, `-230,"Data corrupt or stale"`},
	} {
		m := NewMeter(steady(1), MeterOptions{})
		m.perform(c.send)
		assert.Equal(t, c.want, m.perform("SYST:ERR?"), c.send)
		assert.Equal(t, `+0,"No error"`, m.perform("SYST:ERR?"), c.send)
	}
}

func TestErrorQueue(t *testing.T) {
	m := NewMeter(steady(1), MeterOptions{})
	assert.Equal(t, "", m.perform("NONSENSE?;READ?"), "a command error ends the message")
	assert.Equal(t, `-113,"Undefined header"`, m.perform("SYST:ERR?"))
	assert.Equal(t, `+0,"No error"`, say(m, "NONSENSE", "*CLS", "SYST:ERR?"))
	for range errorQueueSize + 5 {
		m.perform("NONSENSE")
	}
	for range errorQueueSize - 1 {
		assert.Equal(t, `-113,"Undefined header"`, m.perform("SYST:ERR?"))
	}
	assert.Equal(t, `-350,"Queue overflow"`, m.perform("SYST:ERR?"))
	assert.Equal(t, `+0,"No error"`, m.perform("SYST:ERR?"))
}

func parse(t *testing.T, answer string) float64 {
	value, err := strconv.ParseFloat(answer, 64)
	require.NoError(t, err)
	return value
}

// The meter's own errors never leave its accuracy line, whatever the seed, the
// value and the range.
func TestMeterStaysInsideItsAccuracy(t *testing.T) {
	line := probe.Accuracy{OfReading: 0.0005, Digits: 3, OfRange: 0.0001}
	for seed := range uint64(300) {
		value := math.Copysign(math.Pow(10, float64(seed%70)/10-4), float64(seed%2)-0.5)
		m := NewMeter(steady(value), MeterOptions{Seed: seed, Counts: 50_000, Accuracy: Accuracies{probe.Voltage: line}})
		got := parse(t, say(m, "READ?"))
		if math.Abs(got) >= 9.9e37 {
			assert.Greater(t, math.Abs(value), 1199.0)
			continue
		}
		full := parse(t, say(m, "VOLT:RANG?"))
		digit := full / 50_000
		assert.LessOrEqual(t, math.Abs(got-value), line.HalfWidth(value, digit, full)+digit/2, "seed %d, %g V", seed, value)
		assert.Equal(t, got, parse(t, say(m, "READ?")), "no noise was asked for")
	}
}

func TestMeterNoise(t *testing.T) {
	const sigma, n = 0.002, 4000
	m := NewMeter(steady(12), MeterOptions{Seed: 9, Noise: sigma})
	sum, squares := 0.0, 0.0
	for range n {
		d := parse(t, m.perform("READ?")) - 12
		sum += d
		squares += d * d
	}
	assert.InDelta(t, 0, sum/n, 4*sigma/math.Sqrt(n))
	assert.InDelta(t, sigma, math.Sqrt(squares/n), 0.1*sigma)
}

func TestMeterLeadsTouchNothing(t *testing.T) {
	open := func() (float64, bool) { return 12.6, false }
	m := NewMeter(open, MeterOptions{Seed: 3, Ohms: open})
	last := math.NaN()
	for range 50 {
		v := parse(t, m.perform("READ?"))
		assert.Less(t, math.Abs(v), 0.02)
		assert.NotEqual(t, last, v, "it wanders")
		last = v
	}
	assert.Equal(t, "+9.90000000E+37", say(m, "CONF:RES", "READ?"))
	assert.Equal(t, "+9.90000000E+37", say(m, "CONF:FRES", "READ?"))
	assert.Equal(t, "+0.00000000E+00", say(m, "CONF:CURR", "READ?"))
}

func TestMeterTakesItsTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		// The value changes half way: what counts is what stands at the end.
		start := time.Now()
		m := NewMeter(func() (float64, bool) {
			if time.Since(start) < 50*time.Millisecond {
				return 1, true
			}
			return 2, true
		}, MeterOptions{Integration: 100 * time.Millisecond})
		assert.Equal(t, "+2.00000000E+00;+2.00000000E+00", m.perform("READ?;FETC?"))
		assert.Equal(t, 100*time.Millisecond, time.Since(start))
	})
}

func TestMeterAutomaticRange(t *testing.T) {
	value := 0.0
	m := NewMeter(func() (float64, bool) { return value, true }, MeterOptions{})
	for _, c := range []struct{ volts, full float64 }{
		{0.01, 0.1}, {0.12, 0.1}, {0.13, 1}, {0.11, 1}, {0.09, 0.1}, {-13.8, 100}, {119, 100}, {500, 1000}, {-0.5, 1},
	} {
		value = c.volts
		assert.InDelta(t, c.volts, parse(t, m.perform("READ?")), c.full/1e6)
		assert.Equal(t, c.full, parse(t, m.perform("VOLT:RANG?")), "%g V", c.volts)
	}
}

// world is a supply's load: a resistor.
type world struct {
	volts, limit, ohms float64
	on                 bool
}

func (w *world) Drive(volts, limit float64, on bool) { w.volts, w.limit, w.on = volts, limit, on }

func (w *world) Output() (volts, amperes float64) {
	if !w.on {
		return 0, 0
	}
	amperes = min(w.volts/w.ohms, w.limit)
	return amperes * w.ohms, amperes
}

func TestSupplySpeaksSCPI(t *testing.T) {
	w := &world{ohms: 10}
	s := NewSupply(w, SupplyOptions{})
	for _, c := range []struct{ send, want string }{
		{"*IDN?", "REEDBED INSTRUMENTS,BENCH SUPPLY,MS0007,2.1"},
		{"OUTP?", "0"},
		{"VOLT? MAX;CURR? MAX", "32.0000;10.0000"},
		{"VOLT 13.8;CURR 2", ""},
		{"SOUR:VOLT:LEV:IMM:AMPL?;:SOURCE:CURRENT?", "13.8000;2.0000"},
		{"MEAS:VOLT?;CURR?", "0.0000;0.0000"},
		{"OUTP ON;OUTP?", "1"},
		{"MEAS:VOLT:DC?;:MEASURE:SCALAR:CURRENT:DC?", "13.8000;1.3800"},
		{"CURR 0.5;:MEAS:VOLT?;CURR?", "5.0000;0.5000"},
		{"OUTPUT:STATE 0;STATE?", "0"},
		{"*RST;VOLT?", "0.0000"},
	} {
		assert.Equal(t, c.want, s.perform(c.send), c.send)
		assert.Equal(t, `+0,"No error"`, s.perform("SYST:ERR?"), c.send)
	}
	assert.Equal(t, `-222,"Data out of range"`, say(s, "VOLT 33", "SYST:ERR?"))
	assert.Equal(t, `-222,"Data out of range"`, say(s, "CURR -1", "SYST:ERR?"))
	assert.Equal(t, `-224,"Illegal parameter value"`, say(s, "OUTP PERHAPS", "SYST:ERR?"))
	assert.Equal(t, `-109,"Missing parameter"`, say(s, "OUTP", "SYST:ERR?"))
	assert.Equal(t, "0.0000", s.perform("VOLT?"), "a refused setting changes nothing")

	s.Stick(true)
	assert.Equal(t, "0", say(s, "OUTP ON", "OUTP?"))
}

func TestSupplyReadBackStaysInsideItsAccuracy(t *testing.T) {
	line := probe.Accuracy{OfReading: 0.001, Digits: 5, OfRange: 0.0005}
	for seed := range uint64(100) {
		w := &world{ohms: 1}
		s := NewSupply(w, SupplyOptions{Seed: seed, Accuracy: Accuracies{probe.Voltage: line, probe.Current: line}})
		s.perform("VOLT 9;CURR 10;:OUTP 1")
		assert.LessOrEqual(t, math.Abs(parse(t, s.perform("MEAS:VOLT?"))-9), line.HalfWidth(9, 1e-4, 32)+1e-4)
		assert.LessOrEqual(t, math.Abs(parse(t, s.perform("MEAS:CURR?"))-9), line.HalfWidth(9, 1e-4, 10)+1e-4)
	}
}

// Each fault, as it arrives at the other end.
func TestFaultsArrive(t *testing.T) {
	onEachCable(t, func(t *testing.T, cable *Cable) {
		m := NewMeter(steady(1.5), MeterOptions{})
		served := make(chan error, 1)
		go func() { served <- m.Serve(cable.Device()) }()
		conn, err := cable.Open(port.Mode{})
		require.NoError(t, err)
		defer conn.Close()
		lines := bufio.NewReader(conn)
		read := func(f Faults, end byte) string {
			m.SetFaults(f)
			_, err := conn.Write([]byte("*OPC?\n"))
			require.NoError(t, err)
			text, err := lines.ReadString(end)
			require.NoError(t, err)
			return text
		}
		more := func() string {
			text, err := lines.ReadString('\n')
			require.NoError(t, err)
			return text
		}
		assert.Equal(t, "1\r\n", read(Faults{}, '\n'))
		assert.Equal(t, "*OPC?\n", read(Faults{Echo: true}, '\n'))
		assert.Equal(t, "1\r\n", more())
		assert.Equal(t, "1\r", read(Faults{End: "\r"}, '\r'))
		assert.Equal(t, "1\n", read(Faults{End: "\n"}, '\n'))
		assert.Equal(t, "\x00\xffpf1\r\n", read(Faults{Leading: "\x00\xffpf"}, '\n'))
		assert.Equal(t, "tea\r\n", read(Faults{Instead: "tea"}, '\n'))
		assert.Equal(t, "1\r\n", read(Faults{Twice: true}, '\n'))
		assert.Equal(t, "1\r\n", more())
		assert.Equal(t, "1\r\n", read(Faults{Late: 10 * time.Millisecond}, '\n'))
		// Silent: the query is taken and never answered; the next one is.
		m.SetFaults(Faults{Silent: true})
		_, err = conn.Write([]byte("*IDN?\n"))
		require.NoError(t, err)
		assert.Eventually(t, func() bool { return m.unanswered.Load() == 1 }, time.Minute, time.Millisecond)
		assert.Equal(t, "1\r\n", read(Faults{}, '\n'))
		cable.Unplug()
		assert.NoError(t, <-served)
	})
	m := NewMeter(steady(1), MeterOptions{})
	text := strings.Repeat("0123456789", 100)
	assert.InDelta(t, 900, len(m.spoil(text, Faults{Drop: 0.1})), 50)
	assert.NotEqual(t, text, string(m.spoil(text, Faults{Alter: 0.1})))
	assert.Len(t, m.spoil(text, Faults{Alter: 0.1}), 1000)
}

func FuzzMeter(f *testing.F) {
	for _, s := range []string{"READ?", "*IDN?;:VOLT:RANG 10", `FUNC "RES"`, ";:;", "?", ":", "*", "A B,C;D"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, message string) {
		m := NewMeter(steady(1), MeterOptions{})
		m.perform(message)
		assert.Equal(t, "1", m.perform("*CLS;*OPC?"), "it still answers")
	})
}
