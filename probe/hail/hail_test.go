package hail_test

import (
	"bytes"
	"io"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"loomproof/probe/bench"
	"loomproof/probe/hail"
	"loomproof/probe/port"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func volts() (float64, bool) { return 12.6, true }

// on asks at a cable with something on its far end.
func on(t *testing.T, o hail.Options, serve func(io.ReadWriteCloser)) hail.Answer {
	t.Helper()
	c, err := bench.NewCable()
	require.NoError(t, err)
	done := make(chan struct{})
	go func() { defer close(done); serve(c.Device()) }()
	defer func() { c.Close(); <-done }()
	return hail.Ask(t.Context(), c.Name(), o)
}

func TestWhatAnswers(t *testing.T) {
	for name, tt := range map[string]struct {
		serve      func(io.ReadWriteCloser)
		kind, says string
		o          hail.Options
	}{
		"meter": {func(d io.ReadWriteCloser) { bench.NewMeter(volts, bench.MeterOptions{}).Serve(d) }, "scpi meter", "REEDBED INSTRUMENTS, BENCH METER, MM0042", hail.Options{}},
		"node": {func(d io.ReadWriteCloser) {
			bench.NewNode(func(int) float64 { return 1 }, bench.NodeOptions{}).Serve(d)
		}, "node", "a node: 8 inputs of 10 bits", hail.Options{}},
		"lcd":       {func(d io.ReadWriteCloser) { bench.NewHandheld(volts, bench.HandheldOptions{}).Serve(d) }, "handheld meter", "frames of a handheld meter's display", hail.Options{}},
		"modbus":    {func(d io.ReadWriteCloser) { bench.NewModbus(7, 1).Serve(d) }, "modbus meter", "a Modbus device answers at address 7", hail.Options{Modbus: 7}},
		"no modbus": {func(d io.ReadWriteCloser) { io.Copy(io.Discard, d) }, "", "no Modbus device at address 7", hail.Options{Modbus: 7}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a := on(t, tt.o, tt.serve)
			assert.Equal(t, tt.kind, a.Kind)
			assert.Contains(t, a.Says, tt.says)
			assert.False(t, a.Problem)
		})
	}
}

// Something that talks unasked is only listened to.
func TestWhatIsNotUnderstoodIsNotAsked(t *testing.T) {
	t.Parallel()
	var heard bytes.Buffer
	a := on(t, hail.Options{Modbus: 1}, func(d io.ReadWriteCloser) {
		stop := make(chan struct{})
		defer close(stop)
		go func() {
			tick := time.NewTicker(50 * time.Millisecond)
			defer tick.Stop()
			for {
				select {
				case <-tick.C:
					d.Write([]byte("$GO,4711*2A\r\n"))
				case <-stop:
					return
				}
			}
		}()
		io.Copy(&heard, d)
	})
	assert.Empty(t, a.Kind)
	assert.Contains(t, a.Says, "was not asked anything")
	assert.Zero(t, heard.Len(), "nothing was said to it: %q", heard.Bytes())
}

func TestNothingAnswers(t *testing.T) {
	t.Parallel()
	a := on(t, hail.Options{Mode: &port.Mode{Baud: 19200}}, func(d io.ReadWriteCloser) { io.Copy(io.Discard, d) })
	assert.Equal(t, hail.Answer{Says: "nothing answers: 19200 8N1 were asked for *IDN?, 1000000 for a node; check that it is on, and its speed in its menu (--mode)"}, a)
}

func TestAPortThatDoesNotOpen(t *testing.T) {
	a := hail.Ask(t.Context(), "/dev/ttyNOWHERE", hail.Options{})
	assert.True(t, a.Problem)
	assert.Contains(t, a.Says, "port /dev/ttyNOWHERE: file does not exist")
}
