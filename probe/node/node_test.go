package node_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"loomproof/probe"
	"loomproof/probe/bench"
	"loomproof/probe/node"
	"loomproof/probe/port"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const step = 5.0 / 1024

var (
	_ probe.Source = (*node.Node)(nil)
	_ probe.Cutter = (*node.Node)(nil)

	_ probe.Counting = (*node.Node)(nil)
)

// twoBuses is a bus behind a 1:4 divider and a shunt amplifier that counts down.
func twoBuses() node.Config {
	return node.Config{
		Name: "node", Rate: 1000,
		Channels: []node.ChannelConfig{
			{Name: "main bus", Quantity: probe.Voltage, Pin: 0, Scale: 4, Accuracy: probe.Accuracy{OfReading: 0.005, Digits: 1}},
			{Name: "alternator", Quantity: probe.Current, Pin: 5, Scale: -20, Offset: 50},
		},
	}
}

// A wire is a port that a test can disturb.
type wire struct {
	port.Conn
	in  func(p []byte) []byte // what becomes of bytes from the board
	out func(p []byte) []byte // and of bytes to it

	rest []byte
}

func (w *wire) Read(p []byte) (int, error) {
	for len(w.rest) == 0 {
		n, err := w.Conn.Read(p)
		if err != nil {
			return 0, err
		}
		w.rest = append([]byte(nil), p[:n]...)
		if w.in != nil {
			w.rest = w.in(w.rest)
		}
	}
	n := copy(p, w.rest)
	w.rest = w.rest[n:]
	return n, nil
}

func (w *wire) Write(p []byte) (int, error) {
	sent := p
	if w.out != nil {
		sent = w.out(p)
	}
	if len(sent) > 0 {
		if _, err := w.Conn.Write(sent); err != nil {
			return 0, err
		}
	}
	return len(p), nil
}

// pins are settable by a test while a board runs.
type pins struct{ v [8]atomic.Uint64 }

func (p *pins) set(channel int, volts float64) { p.v[channel].Store(math.Float64bits(volts)) }
func (p *pins) at(channel int) float64         { return math.Float64frombits(p.v[channel].Load()) }

// served is a board in Go behind a wire, in a bubble of fake time.
func served(t *testing.T, p *pins, opts bench.NodeOptions) (*bench.Node, *wire) {
	b := bench.NewNode(p.at, opts)
	far, near := port.Pipe()
	end := make(chan error)
	go func() { end <- b.Serve(far) }()
	t.Cleanup(func() {
		near.Close()
		assert.NoError(t, <-end)
	})
	return b, &wire{Conn: near}
}

func open(t testing.TB, conn port.Conn, cfg node.Config) *node.Node {
	t.Helper()
	n, err := node.Open(t.Context(), conn, cfg)
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, n.Close()) })
	return n
}

// exact has no noise.
var exact = bench.NodeOptions{Noise: -1, ID: 42}

func TestReadingIsTheMiddleOfTheCode(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p pins
		p.set(0, 12.6/4)
		p.set(5, 2.5)
		_, w := served(t, &p, exact)
		n := open(t, w, twoBuses())
		began := time.Now()
		r, err := n.Read(t.Context(), "main bus")
		require.NoError(t, err)
		// 12.6 V through 1:4 is code 645 on the chip (ADC = V·1024/V_ref).
		assert.InDelta(t, 645.5*step*4, r.Value, 1e-12)
		assert.InDelta(t, 4*step, r.Digit, 1e-12, "without noise no mean is finer than a step")
		assert.Equal(t, 20.0, r.FullScale)
		assert.Equal(t, probe.Accuracy{OfReading: 0.005, Digits: 1}, r.Accuracy)
		assert.Equal(t, probe.Voltage, r.Quantity)
		assert.Equal(t, "node", r.Source)
		assert.Equal(t, "main bus", r.Channel)
		assert.Equal(t, time.Now(), r.At)
		assert.InDelta(t, 120*time.Millisecond, time.Since(began), float64(25*time.Millisecond), "the window and a block")
		r, err = n.Read(t.Context(), "alternator")
		require.NoError(t, err)
		assert.InDelta(t, 512.5*step*-20+50, r.Value, 1e-12)
		assert.Equal(t, 50.0, r.FullScale)
	})
}

func TestIdentityAndChannels(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, w := served(t, &pins{}, exact)
		cfg := twoBuses()
		cfg.Certificate = "MH-7"
		n := open(t, w, cfg)
		assert.Equal(t, probe.Identity{
			Name: "node", Maker: "Loomproof", Model: "node, 8 inputs, 10 bits", Serial: "42", Firmware: "1.1",
			Port: w.Name(), Certificate: "MH-7",
		}, n.Identity())
		assert.Equal(t, []probe.Channel{
			{Name: "main bus", Quantity: probe.Voltage, Accuracy: probe.Accuracy{OfReading: 0.005, Digits: 1}},
			{Name: "alternator", Quantity: probe.Current},
		}, n.Channels())
		_, err := n.Read(t.Context(), "avionics bus")
		assert.EqualError(t, err, `node node: no channel "avionics bus"; it has main bus, alternator`)
	})
}

// A reading holds nothing from before the call, whatever waits on the line.
func TestReadingIsFresh(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p pins
		_, w := served(t, &p, exact)
		n := open(t, w, twoBuses())
		for code := 100; code < 1000; code += 97 {
			p.set(0, (float64(code)+0.5)*step)
			r, err := n.Read(t.Context(), "main bus")
			require.NoError(t, err)
			require.InDelta(t, (float64(code)+0.5)*step*4, r.Value, 1e-9)
			time.Sleep(7 * time.Millisecond)
		}
	})
}

func TestTheEndsOfTheRangeAreRefused(t *testing.T) {
	for _, tt := range []struct {
		name   string
		volts  float64
		ground bool
		want   string
	}{
		{"past the top", 6, false, "node: refused, overload: main bus is at the upper end of its input's range"},
		{"past the top, on an input that knows ground", 6, true, "node: refused, overload: main bus is at the upper end of its input's range"},
		{"at ground", 0, false, "node: refused, overload: main bus is at the lower end of its input's range"},
		{"at ground, which is zero", 0, true, ""},
	} {
		for _, oversampling := range []int{1, 16} {
			t.Run(fmt.Sprint(tt.name, " ", oversampling), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					var p pins
					p.set(0, tt.volts)
					_, w := served(t, &p, bench.NodeOptions{})
					cfg := twoBuses()
					cfg.Rate, cfg.Oversampling = 100, oversampling
					cfg.Channels[0].GroundIsZero = tt.ground
					n := open(t, w, cfg)
					r, err := n.Read(t.Context(), "main bus")
					_, latest := n.Latest("main bus")
					assert.Equal(t, tt.want == "", latest, "the fast watch sees it too")
					if tt.want == "" {
						require.NoError(t, err)
						assert.InDelta(t, 0, r.Value, r.Digit)
						return
					}
					var refusal *probe.Refusal
					require.ErrorAs(t, err, &refusal)
					assert.Contains(t, err.Error(), tt.want)
					assert.Equal(t, uint64(1), n.Counters().Refused[probe.Overload])
				})
			})
		}
	}
}

func TestLostSamplesAreToldAndNeverRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p pins
		p.set(0, 2)
		p.set(5, 2) // no zero bytes in the samples: the damage hits them and not the stuffing
		_, w := served(t, &p, exact)
		var spoil atomic.Int32 // blocks to damage
		w.in = func(b []byte) []byte {
			if len(b) > 60 && spoil.Load() > 0 { // a block, not an answer
				spoil.Add(-1)
				b[40] ^= 0x40
			}
			return b
		}
		cfg := twoBuses()
		cfg.Block = 20 * time.Millisecond
		n := open(t, w, cfg)
		blocks, cancel := n.Subscribe()
		defer cancel()
		first := <-blocks
		go func() {
			time.Sleep(50 * time.Millisecond)
			spoil.Store(2)
		}()
		_, err := n.Read(t.Context(), "main bus")
		var refusal *probe.Refusal
		require.ErrorAs(t, err, &refusal)
		assert.Equal(t, probe.LostFrames, refusal.Reason)

		next := first.First + uint64(first.Scans())
		lost := uint64(0)
		for len(blocks) > 0 {
			b := <-blocks
			assert.Equal(t, next+b.Lost, b.First)
			assert.Equal(t, first.Clock+(b.First-first.First)*uint64(b.Period), b.Clock, "the clock runs on over the gap")
			next = b.First + uint64(b.Scans())
			lost += b.Lost
		}
		c := n.Counters()
		assert.Equal(t, uint64(2*20), lost, "two blocks of 20 ms")
		assert.Equal(t, lost, c.Lost)
		assert.Equal(t, uint64(2), c.Refused[probe.BadChecksum])
		assert.Equal(t, uint64(1), c.Refused[probe.LostFrames])
		assert.Len(t, c.Refused, len(probe.Reasons()))
		_, err = n.Read(t.Context(), "main bus")
		assert.NoError(t, err, "and then it goes on")
	})
}

func TestSamplesWithoutProofOfTheirAgeAreStale(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, w := served(t, &pins{}, exact)
		w.out = func(p []byte) []byte {
			if len(p) == 7 && p[2] == byte(node.KeepAlive) {
				return nil
			}
			return p
		}
		n := open(t, w, twoBuses())
		_, err := n.Read(t.Context(), "main bus")
		var refusal *probe.Refusal
		require.ErrorAs(t, err, &refusal)
		assert.Equal(t, probe.Stale, refusal.Reason)
		assert.Equal(t, uint64(1), n.Counters().Refused[probe.Stale])
	})
}

func TestSilenceAndTheEndOfThePort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, w := served(t, &pins{}, exact)
		var mute atomic.Bool
		w.in = func(p []byte) []byte {
			if mute.Load() {
				return nil
			}
			return p
		}
		n := open(t, w, twoBuses())
		blocks, _ := n.Subscribe()
		<-blocks
		_, fresh := n.Latest("main bus")
		assert.False(t, fresh, "at the end of its range")
		mute.Store(true)
		_, err := n.Read(t.Context(), "main bus")
		assert.ErrorIs(t, err, probe.ErrSilent)
		assert.NotErrorIs(t, err, probe.ErrGone)
		short, cancel := context.WithTimeout(t.Context(), time.Millisecond)
		defer cancel()
		_, err = n.Read(short, "main bus")
		assert.ErrorIs(t, err, probe.ErrSilent, "a deadline")
		assert.ErrorIs(t, n.Cut(t.Context()), probe.ErrSilent, "in doubt")

		w.Conn.Close()
		synctest.Wait()
		_, err = n.Read(t.Context(), "main bus")
		assert.ErrorIs(t, err, probe.ErrGone)
		assert.ErrorIs(t, n.Cut(t.Context()), probe.ErrGone)
		for range blocks {
		}
		late, cancelLate := n.Subscribe()
		_, more := <-late
		assert.False(t, more, "nothing comes any more")
		cancelLate()
		assert.NoError(t, n.Close())
		assert.NoError(t, n.Close(), "twice")
		_, err = n.Read(t.Context(), "main bus")
		assert.ErrorIs(t, err, probe.ErrGone)
	})
}

func TestOpenSaysWhatIsWrong(t *testing.T) {
	change := func(f func(c *node.Config)) node.Config {
		c := twoBuses()
		f(&c)
		return c
	}
	for _, tt := range []struct {
		name string
		cfg  node.Config
		want string
	}{
		{"no channels", node.Config{Name: "node"}, "node node: no channels; name at least one"},
		{"no name", change(func(c *node.Config) { c.Channels[0].Name = "" }), "node node: a channel on pin 0 has no name"},
		{"twice", change(func(c *node.Config) { c.Channels[1].Name = "main bus" }), `node node: two channels are called "main bus"`},
		{"pin", change(func(c *node.Config) { c.Channels[1].Pin = 10 }), `node node: channel "alternator": pin 10 is outside 0 to 7, and 8 and 9 of a shunt monitor`},
		{"quantity", change(func(c *node.Config) { c.Channels[1].Quantity = "speed" }), `node node: channel "alternator": quantity "speed" is unknown`},
		{"scale", change(func(c *node.Config) { c.Channels[1].Scale = math.NaN() }), `node node: channel "alternator": scale NaN and offset 50 must be numbers`},
		{"rate", change(func(c *node.Config) { c.Rate = -1 }), "node node: rate -1 is not a number of scans a second above 0"},
		{"window", change(func(c *node.Config) { c.Window = time.Hour }), "node node: window 1h0m0s is outside 0 to 1 min"},
		{"oversampling", change(func(c *node.Config) { c.Oversampling = 3 }), "node node: oversampling 3 is none of 1, 2, 4, 8, 16, 32, 64"},
		{
			"too fast", change(func(c *node.Config) { c.Rate, c.Oversampling = 500, 16 }),
			"node node: 500 scans a second of 2 pins with 16 conversions each are too many; this board does 260.4: lower the rate or the oversampling",
		},
		{
			"too slow", change(func(c *node.Config) { c.Rate = 10 }),
			"node node: 10 scans a second are too few; this board does no less than 50: raise the rate or the oversampling",
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				_, w := served(t, &pins{}, exact)
				_, err := node.Open(t.Context(), w, tt.cfg)
				assert.EqualError(t, err, tt.want)
				_, err = w.Write([]byte{0})
				assert.Error(t, err, "the port was given up")
			})
		})
	}
}

func TestOpenWithoutABoard(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		far, near := port.Pipe()
		go io.Copy(io.Discard, far)
		began := time.Now()
		_, err := node.Open(t.Context(), near, twoBuses())
		assert.ErrorIs(t, err, probe.ErrSilent)
		assert.ErrorContains(t, err, "check that the board has its firmware and that this is its port")
		assert.Equal(t, 5*time.Second, time.Since(began))
	})
}

func TestOpenWithABoardOfAnotherProtocol(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		far, near := port.Pipe()
		go io.Copy(io.Discard, far)
		far.Write(node.AppendFrame([]byte{0}, node.HelloMessage, node.Hello{Protocol: 2, Channels: 8}.Append(nil)...))
		_, err := node.Open(t.Context(), near, twoBuses())
		assert.EqualError(t, err, "node: refused, instrument error: the board speaks protocol 2, this program 1; put the firmware of this program on the board")
	})
}

// A board that is deaf while its boot loader runs.
func TestOpenWaitsForABoardThatRestarts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, w := served(t, &pins{}, exact)
		awake := time.Now().Add(2 * time.Second)
		whenAwake := func(p []byte) []byte {
			if time.Now().Before(awake) {
				return nil
			}
			return p
		}
		w.in, w.out = whenAwake, whenAwake
		open(t, w, twoBuses())
	})
}

func TestTheBoardHearsAWordEvery150ms(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, w := served(t, &pins{}, exact)
		var mu sync.Mutex
		var words []time.Time
		w.out = func(p []byte) []byte {
			mu.Lock()
			defer mu.Unlock()
			words = append(words, time.Now())
			return p
		}
		n := open(t, w, twoBuses())
		require.NoError(t, n.Restore(t.Context()))
		mu.Lock()
		words = words[:0]
		mu.Unlock()
		time.Sleep(10 * time.Second)
		mu.Lock()
		assert.GreaterOrEqual(t, len(words), 66)
		for i := range words[1:] {
			assert.Equal(t, 150*time.Millisecond, words[i+1].Sub(words[i]))
		}
		mu.Unlock()
		assert.False(t, b.Cut())
		state, ok := n.Power()
		assert.True(t, ok)
		assert.True(t, state.On)
	})
}

func TestCloseCutsPower(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, w := served(t, &pins{}, exact)
		n := open(t, w, twoBuses())
		require.NoError(t, n.Restore(t.Context()))
		require.False(t, b.Cut())
		require.NoError(t, n.Close())
		synctest.Wait()
		assert.True(t, b.Cut())
	})
}

func TestLimitsAreInTheChannelsUnit(t *testing.T) {
	inf := math.Inf(1)
	for _, tt := range []struct {
		channel   string
		low, high float64
		in, out   []float64 // volts at the pin
	}{
		{"main bus", 11, 15, []float64{11.02 / 4, 14.98 / 4}, []float64{10.99 / 4, 15.01 / 4}},
		{"main bus", 11, inf, []float64{11.02 / 4, 4.99}, []float64{10.99 / 4}},
		{"main bus", -inf, 15, []float64{0.01, 14.98 / 4}, []float64{15.01 / 4, 4.99}},
		{"alternator", -10, 30, []float64{1.01, 2.99}, []float64{0.99, 3.01}}, // 20 A a volt, downwards from 50 A
	} {
		pin := map[string]int{"main bus": 0, "alternator": 5}[tt.channel]
		for i, volts := range append(append([]float64{}, tt.in...), tt.out...) {
			t.Run(fmt.Sprint(tt.channel, tt.low, tt.high, volts), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					var p pins
					p.set(pin, tt.in[0])
					b, w := served(t, &p, exact)
					n := open(t, w, twoBuses())
					require.NoError(t, n.SetLimit(t.Context(), tt.channel, tt.low, tt.high))
					time.Sleep(50 * time.Millisecond)
					require.NoError(t, n.Restore(t.Context()))
					p.set(pin, volts)
					time.Sleep(50 * time.Millisecond)
					out := i >= len(tt.in)
					assert.Equal(t, out, b.Cut())
					if out {
						state, _ := n.Power()
						assert.Equal(t, node.WhyLimit, state.Why)
						assert.Equal(t, uint8(pin), state.Channel)
						var refusal *probe.Refusal
						assert.ErrorAs(t, n.Restore(t.Context()), &refusal)
					}
				})
			})
		}
	}
}

func TestLimitsThatCannotBe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, w := served(t, &pins{}, exact)
		n := open(t, w, twoBuses())
		assert.ErrorContains(t, n.SetLimit(t.Context(), "main bus", 15, 11), "the low one must be below the high one")
		assert.ErrorContains(t, n.SetLimit(t.Context(), "main bus", math.NaN(), 11), "the low one must be below the high one")
		assert.ErrorContains(t, n.SetLimit(t.Context(), "main bus", 12, 12.01), "leave no code of the converter between them")
		assert.ErrorContains(t, n.SetLimit(t.Context(), "main bus", 20, 25), "leave no code of the converter between them")
		assert.ErrorContains(t, n.SetLimit(t.Context(), "strobe", 1, 2), `no channel "strobe"`)
	})
}

func TestARestartedBoardIsStartedAgain(t *testing.T) {
	for _, tt := range []struct {
		name       string
		losesHello bool
	}{{"its hello is heard", false}, {"its hello is lost", true}} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var p pins
				p.set(0, 3)
				b, w := served(t, &p, exact)
				var until atomic.Int64
				w.in = func(p []byte) []byte {
					if time.Now().UnixNano() < until.Load() {
						return nil
					}
					return p
				}
				n := open(t, w, twoBuses())
				require.NoError(t, n.SetLimit(t.Context(), "main bus", 11, 13))
				blocks, cancel := n.Subscribe()
				defer cancel()
				time.Sleep(300 * time.Millisecond)
				require.NoError(t, n.Restore(t.Context()))
				if tt.losesHello {
					until.Store(time.Now().Add(35 * time.Millisecond).UnixNano())
				}
				time.AfterFunc(30*time.Millisecond, b.Reset)
				r, err := n.Read(t.Context(), "main bus")
				if tt.losesHello { // then it may begin after the reset
					assert.InDelta(t, 12, r.Value, 4*step)
				} else {
					assert.Error(t, err, "what the reset fell into is no reading")
				}
				assert.True(t, b.Cut())
				time.Sleep(2 * time.Second)
				r, err = n.Read(t.Context(), "main bus")
				require.NoError(t, err)
				assert.InDelta(t, 12, r.Value, 4*step)
				assert.True(t, b.Cut(), "power stays cut until it is asked for")

				restarts := 0
				var next uint64
				for len(blocks) > 0 {
					b := <-blocks
					if next > 0 {
						require.Equal(t, next+b.Lost, b.First)
					}
					next = b.First + uint64(b.Scans())
					if b.Restarted {
						restarts++
						assert.Positive(t, b.Lost)
						assert.Less(t, b.Clock, uint64(2_000_000), "a clock that began anew")
					} else {
						assert.Zero(t, b.Lost)
					}
				}
				assert.Equal(t, 1, restarts)
				assert.Equal(t, uint64(1), n.Counters().Restarts)

				// The limit was set again.
				require.NoError(t, n.Restore(t.Context()))
				p.set(0, 4)
				time.Sleep(50 * time.Millisecond)
				assert.True(t, b.Cut())
			})
		})
	}
}

func TestASlowSubscriberIsToldAndHoldsNobodyUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p pins
		p.set(0, 1)
		_, w := served(t, &p, exact)
		n := open(t, w, twoBuses())
		slow, cancelSlow := n.Subscribe()
		quick, cancelQuick := n.Subscribe()
		var taken atomic.Int64
		done := make(chan struct{})
		go func() {
			defer close(done)
			for range quick {
				taken.Add(1)
			}
		}()
		time.Sleep(10 * time.Second)
		_, err := n.Read(t.Context(), "main bus")
		assert.NoError(t, err)
		cancelQuick()
		cancelQuick()
		<-done
		assert.InDelta(t, 2020, taken.Load(), 25)

		var next uint64
		waiting := len(slow)
		for range waiting {
			b := <-slow
			assert.Zero(t, b.Dropped)
			next = b.First + uint64(b.Scans())
		}
		b := <-slow
		assert.InDelta(t, taken.Load(), int64(waiting+b.Dropped), 2)
		assert.Equal(t, next+uint64(b.Dropped*b.Scans()), b.First, "the numbers tell it too")
		assert.Zero(t, b.Lost, "nothing was lost on the way")
		cancelSlow()
	})
}

func TestLatestFollowsAndGoesStale(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p pins
		p.set(0, 3)
		_, w := served(t, &p, exact)
		var mute atomic.Bool
		w.in = func(b []byte) []byte {
			if mute.Load() {
				return nil
			}
			return b
		}
		n := open(t, w, twoBuses())
		time.Sleep(100 * time.Millisecond)
		r, ok := n.Latest("main bus")
		require.True(t, ok)
		assert.InDelta(t, 12, r.Value, 4*step)
		p.set(0, 3.5)
		time.Sleep(45 * time.Millisecond)
		r, ok = n.Latest("main bus")
		require.True(t, ok)
		assert.InDelta(t, 14, r.Value, 4*step)
		_, ok = n.Latest("strobe")
		assert.False(t, ok)
		mute.Store(true)
		time.Sleep(300 * time.Millisecond)
		_, ok = n.Latest("main bus")
		assert.False(t, ok, "an old value must not look like a good one")
	})
}

// A block that passes its checksum and cannot be is refused, and the stream
// started again, because its numbering can no longer be trusted.
func TestABlockThatCannotBeIsRefused(t *testing.T) {
	base := node.Samples{First: 0, Clock: 0, Period: 2000, Mask: 0x21, Scans: 1}
	for _, tt := range []struct {
		name   string
		change func(s *node.Samples)
		sums   []uint16
	}{
		{"another mask", func(s *node.Samples) { s.Mask = 0x03 }, []uint16{1, 1}},
		{"another period", func(s *node.Samples) { s.Period = 2001 }, []uint16{1, 1}},
		{"another shift", func(s *node.Samples) { s.Shift = 1 }, []uint16{1, 1}},
		{"a code past the top", func(s *node.Samples) {}, []uint16{1024, 1}},
		{"numbers that there was no time for", func(s *node.Samples) { s.First = 1_000_000 }, []uint16{1, 1}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var p pins
				p.set(0, 2)
				p.set(5, 2)
				_, w := served(t, &p, exact)
				var inject atomic.Bool
				s := base
				tt.change(&s)
				w.in = func(b []byte) []byte {
					if inject.CompareAndSwap(true, false) {
						return append(node.AppendFrame(nil, node.SamplesMessage, s.Append(nil, tt.sums)...), b...)
					}
					return b
				}
				n := open(t, w, twoBuses())
				blocks, cancel := n.Subscribe()
				defer cancel()
				time.Sleep(100 * time.Millisecond)
				inject.Store(true)
				time.Sleep(time.Second)
				assert.Equal(t, uint64(1), n.Counters().Refused[probe.BadFrame])
				for len(blocks) > 0 {
					for _, sum := range (<-blocks).Sums {
						require.Equal(t, uint16(409), sum)
					}
				}
				_, err := n.Read(t.Context(), "main bus")
				assert.NoError(t, err)
			})
		})
	}
}

func TestUnknownTypesAreIgnored(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p pins
		p.set(0, 2)
		_, w := served(t, &p, exact)
		w.in = func(b []byte) []byte { return append(node.AppendFrame(nil, 0x90, 1, 2, 3), b...) }
		n := open(t, w, twoBuses())
		_, err := n.Read(t.Context(), "main bus")
		assert.NoError(t, err)
		assert.Positive(t, n.Counters().Strays)
		assert.Zero(t, n.Counters().Refused[probe.BadFrame])
	})
}

func TestManyMayUseANodeAtOnce(t *testing.T) {
	var p pins
	p.set(0, 2)
	p.set(5, 2)
	b := bench.NewNode(p.at, bench.NodeOptions{})
	far, near := port.Pipe()
	end := make(chan error)
	go func() { end <- b.Serve(far) }()
	cfg := twoBuses()
	cfg.Window = 5 * time.Millisecond
	n, err := node.Open(t.Context(), near, cfg)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	var all sync.WaitGroup
	for _, ch := range cfg.Channels {
		all.Go(func() {
			for range 5 {
				_, err := n.Read(ctx, ch.Name)
				assert.NoError(t, err)
				n.Latest(ch.Name)
				n.Counters()
				n.Power()
				assert.NoError(t, n.Restore(ctx))
			}
		})
	}
	all.Wait()
	cancel()
	_, err = n.Read(ctx, "main bus")
	assert.True(t, errors.Is(err, context.Canceled) || err == nil)
	assert.NoError(t, n.Close())
	assert.NoError(t, <-end)
}
