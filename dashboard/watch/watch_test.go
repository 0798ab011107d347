package watch

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"loomproof/probe"
)

var update = flag.Bool("update", false, "write the golden files anew")

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func volts(v float64, n int) probe.Reading {
	return probe.Reading{
		Value: v, Quantity: probe.Voltage, Source: "bench meter", Channel: "voltage", At: noon.Add(time.Duration(n) * time.Second / 3),
		Accuracy: probe.Accuracy{OfReading: 0.0005, Digits: 3}, FullScale: 20, Digit: 0.0001,
	}
}

func ptr(v float64) *float64 { return &v }

// scenes are what a builder sees.
func scenes() map[string][]*panel {
	steady := &panel{source: "bench meter", channel: "voltage", limits: Limits{ptr(13.8), ptr(14.4)}}
	for n, v := range []float64{14.1021, 14.0987, 14.1003} {
		steady.take(volts(v, n), nil)
	}
	above := &panel{source: "bench meter", channel: "voltage", limits: Limits{nil, ptr(14.4)}}
	above.take(volts(14.9, 0), nil)
	above.mark()

	away := &panel{source: "supply", channel: "current"}
	away.take(probe.Reading{Value: -0.0123, Quantity: probe.Current, At: noon, FullScale: 0.2, Digit: 1e-5}, nil)
	away.take(probe.Reading{}, fmt.Errorf("supply: %w: port usb 16C0:05DC MH0042: file does not exist: usb 16C0:05DC MH0042 is not plugged in; no serial port is there: check the cable, and that its driver is installed", probe.ErrAway))
	refusing := &panel{source: "handheld", channel: "resistance"}
	refusing.take(probe.Reading{}, &probe.Refusal{Source: "handheld", Reason: probe.Hold, Detail: "its display is held", Do: "press HOLD again"})
	digits := &panel{source: "all digits", channel: "resistance"}
	digits.take(probe.Reading{Value: 123.456, Quantity: probe.Resistance, At: noon, FullScale: 200, Digit: 0.001}, nil)
	more := &panel{source: "all digits", channel: "voltage"}
	more.take(probe.Reading{Value: -7890.12, Quantity: probe.Voltage, At: noon, FullScale: 100, Digit: 0.01}, nil)
	return map[string][]*panel{
		"steady": {steady}, "above": {above}, "several": {steady, away, refusing}, "digits": {digits, more},
	}
}

func TestScreens(t *testing.T) {
	for name, panels := range scenes() {
		for _, width := range []int{40, 80, 120} {
			t.Run(fmt.Sprintf("%s at %d", name, width), func(t *testing.T) {
				got := strings.Join(screen(panels, width, ink{}), "\n") + "\n"
				golden := fmt.Sprintf("testdata/%s-%d.txt", name, width)
				if *update {
					require.NoError(t, os.MkdirAll("testdata", 0o755))
					require.NoError(t, os.WriteFile(golden, []byte(got), 0o644))
				}
				want, err := os.ReadFile(golden)
				require.NoError(t, err)
				assert.Equal(t, string(want), got)
			})
		}
	}
}

// No line is wider than the terminal, at any width, and colour changes no word.
func TestEveryWidth(t *testing.T) {
	for name, panels := range scenes() {
		for width := narrowest; width <= widest; width++ {
			plain := screen(panels, width, ink{})
			for _, line := range plain {
				require.LessOrEqual(t, utf8.RuneCountInString(line), width, "%s at %d: %q", name, width, line)
			}
			coloured := strings.Join(screen(panels, width, ink{true}), "\n")
			for _, code := range []string{"\x1b[1;31m", "\x1b[2m", "\x1b[0m"} {
				coloured = strings.ReplaceAll(coloured, code, "")
			}
			require.Equal(t, strings.Join(plain, "\n"), coloured)
		}
	}
}

// Every letterform differs from every other in several dots.
func TestNoFigureIsTakenForAnother(t *testing.T) {
	for a, formA := range figures {
		for b, formB := range figures {
			if a >= b || len(formA[0]) != len(formB[0]) {
				continue
			}
			dots := 0
			for y := range formA {
				for x := range formA[y] {
					if formA[y][x] != formB[y][x] {
						dots++
					}
				}
			}
			assert.GreaterOrEqual(t, dots, 3, "%c and %c", a, b)
		}
	}
}

// A played source gives what is written down, three a second.
type played struct {
	script []any
	n      int
}

func (p *played) Identity() probe.Identity { return probe.Identity{Name: "bench meter"} }
func (p *played) Channels() []probe.Channel {
	return []probe.Channel{{Name: "voltage", Quantity: probe.Voltage}}
}
func (p *played) Close() error { return nil }

func (p *played) Read(ctx context.Context, channel string) (probe.Reading, error) {
	wait := time.NewTimer(time.Second / 3)
	defer wait.Stop()
	select {
	case <-wait.C:
	case <-ctx.Done():
		return probe.Reading{}, ctx.Err()
	}
	what := p.script[min(p.n, len(p.script)-1)]
	p.n++
	if err, ok := what.(error); ok {
		return probe.Reading{}, err
	}
	r := volts(what.(float64), 0)
	r.At = time.Now()
	return r, nil
}

func run(t *testing.T, o Options, script ...any) string {
	t.Helper()
	var out bytes.Buffer
	synctest.Test(t, func(t *testing.T) {
		o.Watched = []Watched{{Source: &played{script: script}, Name: "bench meter"}}
		o.Out = &out
		require.NoError(t, Run(t.Context(), o))
	})
	return out.String()
}

var overload = &probe.Refusal{Source: "bench meter", Reason: probe.Overload, Detail: "it answered 9.9E37", Do: "choose a higher range"}

func TestLinesForScripts(t *testing.T) {
	text := run(t, Options{JSON: true, Count: 2, Limits: Limits{ptr(12), ptr(13)}}, 12.5, overload, probe.ErrSilent, 13.5)
	lines := strings.Split(strings.TrimSpace(text), "\n")
	require.Len(t, lines, 4)
	var l [4]Line
	for i := range l {
		require.NoError(t, json.Unmarshal([]byte(lines[i]), &l[i]))
		assert.Equal(t, "bench meter", l[i].Source)
		assert.Equal(t, "voltage", l[i].Channel)
	}
	assert.Equal(t, 12.5, *l[0].Value)
	assert.Equal(t, "V", l[0].Unit)
	assert.Equal(t, "inside", l[0].Limits)
	assert.InDelta(t, 2*volts(12.5, 0).Uncertainty(), *l[0].Uncertainty, 1e-12)
	assert.Nil(t, l[1].Value, "a refusal is never a reading")
	assert.Equal(t, "overload", l[1].Refused)
	assert.Contains(t, l[1].Trouble, "choose a higher range")
	assert.Nil(t, l[2].Value)
	assert.Contains(t, l[2].Trouble, "no answer")
	assert.Equal(t, "ABOVE", l[3].Limits)
}

func TestLinesForPeople(t *testing.T) {
	text := run(t, Options{For: 3 * time.Second}, 12.5, overload, overload, overload, 12.6)
	assert.Equal(t, 1, strings.Count(text, "refused, overload"), "told once, not each time: %s", text)
	assert.Contains(t, text, "bench meter  voltage  12.5000 V\n")
	assert.Contains(t, text, "bench meter  voltage  12.6000 V\n")
}

func TestKeys(t *testing.T) {
	var out bytes.Buffer
	synctest.Test(t, func(t *testing.T) {
		keys := make(chan byte)
		go func() {
			for _, k := range []struct {
				after time.Duration
				key   byte
			}{{1100 * time.Millisecond, 'r'}, {400 * time.Millisecond, ' '}, {400 * time.Millisecond, 'q'}} {
				wait := time.NewTimer(k.after)
				<-wait.C
				keys <- k.key
			}
		}()
		o := Options{Live: true, Out: &out, Keys: keys, Width: func() int { return 60 }}
		o.Watched = []Watched{{Source: &played{script: []any{12.1, 12.2, 12.3, 12.4, 12.5}}, Name: "bench meter"}}
		require.NoError(t, Run(t.Context(), o))
	})
	text := out.String()
	assert.True(t, strings.HasPrefix(text, "\x1b[?1049h"))
	left := text[strings.LastIndex(text, "\x1b[?1049l"):]
	assert.Contains(t, left, "least 12.4000, mean 12.4500, most 12.5000 V, of 2 readings", "those before the reset are forgotten")
	assert.Contains(t, left, "mark 1")
	assert.Contains(t, left, "12.4000 V")
}

// The mean of many readings far from zero does not lose its digits.
func TestMeanOfManyReadings(t *testing.T) {
	p := &panel{}
	for n := range 100_000 {
		p.take(volts(1e6+float64(n%2)*1e-3, n), nil)
	}
	assert.InDelta(t, 1e6+0.5e-3, p.mean(), 1e-7)
}

func BenchmarkScreen(b *testing.B) {
	panels := scenes()["several"]
	b.ReportAllocs()
	for b.Loop() {
		screen(panels, 120, ink{true})
	}
}
