package scpi

import (
	"bytes"
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
)

func TestParseNumber(t *testing.T) {
	for _, c := range []struct {
		text        string
		value, step float64
		source      string
	}{
		{"12", 12, 1, "IEEE 488.2 NR1"},
		{"+12", 12, 1, "IEEE 488.2 NR1"},
		{"-0", math.Copysign(0, -1), 1, "IEEE 488.2 NR1"},
		{"12.60", 12.6, 0.01, "IEEE 488.2 NR2"},
		{"-.5", -0.5, 0.1, "IEEE 488.2 NR2: digits before the point may be missing"},
		{"5.", 5, 1, "IEEE 488.2 NR2: digits after the point may be missing"},
		{"+1.23456789E+00", 1.23456789, 1e-8, "the 15 characters of the classic bench meters' manuals"},
		{"-4.70000000E-03", -0.0047, 1e-11, "the same"},
		{"1.5e3", 1500, 100, "IEEE 488.2 NRf: e or E"},
		{"1.5E3", 1500, 100, "exponent without a sign"},
		{"  1.25 ", 1.25, 0.01, "spaces around"},
		{"1.25 E +01", 12.5, 0.1, "IEEE 488.2 NRf: spaces around the E"},
		{"9.9E37", infinity, 1e36, "SCPI infinity, as makers' manuals print it"},
		{"+9.90000000E+37", infinity, 1e29, "the same, from a meter that sends 15 characters"},
		{"-9.9E+37", -infinity, 1e36, "SCPI negative infinity"},
		{"9.91E37", notNumber, 1e35, "SCPI not a number"},
		{"+9.91000000E+37", notNumber, 1e29, "the same"},
		{"1E-320", 1e-320, 1e-320, "a denormal"},
		{strings.Repeat("0", 254) + "7", 7, 1, "IEEE 488.2: up to 255 digits"},
	} {
		n, err := parseNumber(c.text)
		require.NoError(t, err, c.source)
		assert.Equal(t, c.value, n.value, c.source)
		assert.Equal(t, c.step, n.step, c.source)
	}
	for _, text := range []string{
		"", " ", "+", "-", ".", "+.", "E5", "1E", "1E+", "1.2.3", "1,2", "--1", "1-", "0x10", "1_000", "Inf", "NaN", "inf",
		"1.5 V", "12V", "+1.2345678 9E+00", "1E400", "1E99999", "1E32001", "1E123456", "+1.23E+00+1.23E+00", "\x001", "１",
		strings.Repeat("1", 256),
	} {
		_, err := parseNumber(text)
		assert.Error(t, err, text)
	}
}

// A character lost anywhere in an answer of the classic shape leaves either no
// number or another shape.
func TestALostCharacterChangesTheShape(t *testing.T) {
	for _, text := range []string{"+1.23456789E+00", "-4.70000000E-03", "-13.8000", "+9.90000000E+37"} {
		whole, err := parseNumber(text)
		require.NoError(t, err)
		for lost := 1; lost < 1<<len(text); lost++ {
			var left []byte
			for i := range len(text) {
				if lost&(1<<i) == 0 {
					left = append(left, text[i])
				}
			}
			if n, err := parseNumber(string(left)); err == nil {
				require.NotEqual(t, whole.shape, n.shape, string(left))
			}
		}
	}
}

func FuzzParseNumber(f *testing.F) {
	for _, s := range []string{"+1.23456789E+00", "12", "-.5", "1.25 E +01", "9.91E37", "1E-32000", "0x1p4", "1_0", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		n, err := parseNumber(text)
		if err != nil {
			return
		}
		want, err := strconv.ParseFloat(strings.ReplaceAll(text, " ", ""), 64)
		require.NoError(t, err)
		assert.Equal(t, want, n.value)
		assert.False(t, math.IsInf(n.value, 0) || math.IsNaN(n.value) || n.step < 0)
	})
}

func FuzzCutLine(f *testing.F) {
	for _, s := range []string{"+1.0\r\n", "a\rb\nc", "\r\n\r\n", "x", ""} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, p []byte) {
		var lines [][]byte
		rest := p
		for {
			line, after, ok := cutLine(rest)
			if !ok {
				break
			}
			assert.False(t, bytes.ContainsAny(line, "\r\n"))
			lines, rest = append(lines, line), after
		}
		back := append(bytes.Join(append(lines, rest), []byte("\n")), '\n')
		assert.Equal(t, bytes.ReplaceAll(append(p[:len(p):len(p)], '\n'), []byte("\r"), []byte("\n")), back, "nothing is lost")
	})
}

func TestSplitFields(t *testing.T) {
	for line, want := range map[string][]string{
		"1":                     {"1"},
		`+1.0E0;"VOLT";137`:     {"+1.0E0", `"VOLT"`, "137"},
		`-113,"a;b";100`:        {`-113,"a;b"`, "100"},
		` 1 ; 2 `:               {"1", "2"},
		``:                      {""},
		`;`:                     {"", ""},
		`-113,"say ""x;y""";5`:  {`-113,"say ""x;y"""`, "5"},
		`"never closed;1;2;137`: {`"never closed;1;2;137`},
	} {
		assert.Equal(t, want, splitFields(nil, line), line)
	}
}

func FuzzSplitFields(f *testing.F) {
	f.Add(`+1.0E0;"VO;LT";137`)
	f.Fuzz(func(t *testing.T, line string) {
		rest, joined := line, ""
		for {
			field, after, more := cutField(rest)
			joined += field
			if !more {
				break
			}
			joined, rest = joined+";", after
		}
		assert.Equal(t, line, joined)
	})
}

func TestParseIdentity(t *testing.T) {
	reedbed := probe.Identity{Maker: "REEDBED", Model: "METER", Serial: "0", Firmware: "1.0-2,b"}
	for _, line := range []string{"REEDBED,METER,0,1.0-2,b", "REEDBED, METER , 0,1.0-2,b", "\x00\xff\x80REEDBED,METER,0,1.0-2,b", "a,b,c,d\x07REEDBED,METER,0,1.0-2,b"} {
		got, ok := ParseIdentity(line)
		assert.True(t, ok, line)
		assert.Equal(t, reedbed, got, line)
	}
	for _, line := range []string{"", "REEDBED", "a,b,c", ",,,", "a,b,c,d\x00", "+1.23E+00"} {
		_, ok := ParseIdentity(line)
		assert.False(t, ok, line)
	}
}

// The table of SCPI-1999, with the punctuation that manuals show.
func TestParseEntry(t *testing.T) {
	for field, want := range map[string]entry{
		`0,"No error"`:               {0, "No error"},
		`+0,"No error"`:              {0, "No error"},
		`-101,"Invalid character"`:   {-101, "Invalid character"},
		`-113,"Undefined header"`:    {-113, "Undefined header"},
		`-222,"Data out of range"`:   {-222, "Data out of range"},
		`-350,"Queue overflow"`:      {-350, "Queue overflow"},
		`-410,"Query INTERRUPTED"`:   {-410, "Query INTERRUPTED"},
		`-420, "Query UNTERMINATED"`: {-420, "Query UNTERMINATED"},
		`550,"Says ""hot"""`:         {550, `Says "hot"`},
		`-222,Data out of range`:     {-222, "Data out of range"},
	} {
		got, ok := parseEntry(field)
		assert.True(t, ok, field)
		assert.Equal(t, want, got, field)
	}
	for _, field := range []string{"", "0", "No error", `"No error",0`, "1.5,x", "+1.23E+00"} {
		_, ok := parseEntry(field)
		assert.False(t, ok, field)
	}
}

func FuzzParseAnswers(f *testing.F) {
	f.Add(`-113,"Undefined header"`)
	f.Add("a,b,c,d")
	f.Fuzz(func(t *testing.T, line string) {
		if e, ok := parseEntry(line); ok {
			assert.NotEmpty(t, e.String())
		}
		if id, ok := ParseIdentity(line); ok {
			assert.NotEmpty(t, id.Maker+id.Model)
		}
		assert.LessOrEqual(t, len(show(line)), 4*80+8)
	})
}

func BenchmarkParseNumber(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := parseNumber("+1.23456789E+00"); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCutAndSplit(b *testing.B) {
	p := []byte("+1.23456789E+00;+1.23456789E+00;\"VOLT\";137\r\n")
	fields := make([]string, 0, 8)
	b.ReportAllocs()
	for b.Loop() {
		line, _, _ := cutLine(p)
		fields = splitFields(fields[:0], string(line))
	}
	if len(fields) != 4 {
		b.Fatal(fields)
	}
}
