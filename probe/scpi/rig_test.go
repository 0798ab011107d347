package scpi

import (
	"bufio"
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"loomproof/probe"
	"loomproof/probe/bench"
	"loomproof/probe/port"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// onEachCable runs a test over a pseudo-terminal, through the real serial
// library, and over memory with a clock of its own.
func onEachCable(t *testing.T, test func(t *testing.T, cable *bench.Cable)) {
	t.Run("pseudo-terminal", func(t *testing.T) {
		cable, err := bench.NewCable()
		require.NoError(t, err)
		defer cable.Close()
		test(t, cable)
	})
	inMemory(t, test)
}

func inMemory(t *testing.T, test func(t *testing.T, cable *bench.Cable)) {
	t.Run("memory", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			cable := bench.NewMemoryCable()
			defer time.Sleep(time.Hour) // on the test's clock: an instrument that waits ends
			defer cable.Close()
			test(t, cable)
		})
	})
}

// inBothManners runs a test with joined and with plain queries.
func inBothManners(t *testing.T, test func(t *testing.T, plain bool)) {
	t.Run("joined", func(t *testing.T) { test(t, false) })
	t.Run("plain", func(t *testing.T) { test(t, true) })
}

// leads are what an emulated meter touches; they may change.
type leads struct {
	mu    sync.Mutex
	value float64
	open  bool
}

func (l *leads) set(value float64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.value, l.open = value, false
}

func (l *leads) lift() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.open = true
}

func (l *leads) get() (float64, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.value, !l.open
}

// openMeter hangs an emulated meter on the cable and opens it.
func openMeter(t testing.TB, cable *bench.Cable, emulated *bench.Meter, options MeterOptions) *Meter {
	go emulated.Serve(cable.Device())
	conn, err := cable.Open(port.Mode{Baud: 115200})
	require.NoError(t, err)
	m, err := OpenMeter(context.Background(), conn, options)
	require.NoError(t, err)
	t.Cleanup(func() { m.Close() })
	return m
}

func read(t testing.TB, s probe.Source, channel string) probe.Reading {
	r, err := s.Read(context.Background(), channel)
	require.NoError(t, err)
	return r
}

// refused reads and expects a refusal for the reason.
func refused(t testing.TB, s probe.Source, channel string, reason probe.Reason) *probe.Refusal {
	_, err := s.Read(context.Background(), channel)
	return refusalOf(t, err, reason)
}

func refusalOf(t testing.TB, err error, reason probe.Reason) *probe.Refusal {
	var r *probe.Refusal
	require.ErrorAs(t, err, &r)
	assert.Equal(t, reason, r.Reason, r.Error())
	assert.NotEmpty(t, r.Detail)
	assert.NotEmpty(t, r.Do)
	return r
}

// A script is an instrument that was written down by hand: what it answers to
// each message. It shares nothing with the emulated ones.
type script map[string]string

// play answers on the instrument's end of a pipe and returns the program's.
// An answer that is nil in the script is a failed test, an empty one is silence.
func (s script) play(t testing.TB) port.Conn {
	near, far := port.Pipe()
	go func() {
		lines := bufio.NewScanner(far)
		for lines.Scan() {
			message := strings.TrimSuffix(lines.Text(), "\r")
			answer, ok := s[message]
			if !ok && message != "" {
				t.Errorf("unexpected message %q", message)
			}
			if answer != "" {
				far.Write([]byte(answer))
			}
		}
	}()
	t.Cleanup(func() { near.Close() })
	return near
}

// ended is a context that has ended.
func ended() context.Context {
	ctx, cancel := context.WithCancelCause(context.Background())
	cancel(errors.New("the builder let go"))
	return ctx
}

const soon = 100 * time.Millisecond
