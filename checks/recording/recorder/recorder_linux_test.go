package recorder

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"golang.org/x/sys/unix"

	"loomproof/checks/logbook"
	"loomproof/checks/recording"
	"loomproof/checks/recording/store"
	"loomproof/probe/bench"
	"loomproof/probe/port"
	"loomproof/probe/sources"
)

// asRecorder in the environment makes this test binary record, from the node on
// the port that it names.
const asRecorder = "LOOMPROOF_TEST_RECORD_FROM"

func TestMain(m *testing.M) {
	if os.Getenv(asRecorder) != "" {
		recordUntilKilled(os.Getenv(asRecorder), os.Getenv("LOGBOOK"))
	}
	goleak.VerifyTestMain(m)
}

// nodeLine is a node with two channels, the second behind an amplifier that counts
// down.
func nodeLine(port string) string {
	return fmt.Sprintf(`loomproof-sources: 1
sources:
  board:
    kind: node
    port: %s
    rate: 1000
    oversampling: 1
    channels:
      bus: {pin: 0, scale: 4, accuracy: 1 %%}
      alternator: {pin: 1, quantity: current, scale: -20, offset: 50, accuracy: 2 %%}
`, port)
}

func inputsOf(t testing.TB, text string) []Input {
	f, err := sources.Parse("sources.yaml", []byte(text))
	require.NoError(t, err)
	all, err := f.Sources()
	require.NoError(t, err)
	var inputs []Input
	for _, s := range all {
		kept := sources.Of(s)
		t.Cleanup(func() { kept.Close() })
		require.NoError(t, kept.Open(t.Context()))
		for _, ch := range kept.Channels() {
			inputs = append(inputs, Input{Name: ch.Name, Source: kept, Channel: ch.Name})
		}
	}
	return inputs
}

// A counter is a board whose first input is one code higher at each scan, and whose
// second stands where it is set.
type counter struct {
	mu     sync.Mutex
	n      int
	second float64
}

func (c *counter) pins(channel int) float64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	if channel == 1 {
		return c.second
	}
	c.n++
	return (float64(c.n%1024) + 0.5) * 5 / 1024
}

func (c *counter) set(volts float64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.second = volts
}

// until waits for so many scans.
func (c *counter) until(n int) {
	for tick := time.NewTicker(5 * time.Millisecond); ; <-tick.C {
		c.mu.Lock()
		there := c.n >= n
		c.mu.Unlock()
		if there {
			tick.Stop()
			return
		}
	}
}

// requireCounted: of the first channel every sample is one code above the one
// before it, and across a gap of one life of the board by as many as are told
// missing.
func requireCounted(t *testing.T, r recording.Recording) (samples int, gaps []recording.Gap) {
	var before recording.Block
	last := int32(0)
	for b, err := range r.Blocks(0, math.Inf(-1), math.Inf(1)) {
		require.NoError(t, err)
		if g, ok := recording.Between(before, b); ok {
			gaps = append(gaps, g)
		} else if samples > 0 {
			require.Equal(t, (last+1)%1024, b.Codes[0])
		}
		for i := 1; i < len(b.Codes); i++ {
			require.Equal(t, (b.Codes[i-1]+1)%1024, b.Codes[i], "sample %d", samples+i)
		}
		last = b.Codes[len(b.Codes)-1]
		samples += len(b.Codes)
		before = recording.Block{Start: b.Start, Step: b.Step, Codes: b.Codes}
	}
	return samples, gaps
}

func newStore(t testing.TB) *store.Store {
	return openStore(t, filepath.Join(t.TempDir(), "logbook.db"))
}

func openStore(t testing.TB, path string) *store.Store {
	book, err := logbook.Open(path)
	require.NoError(t, err)
	t.Cleanup(func() { book.Close() })
	s, err := store.Open(book)
	require.NoError(t, err)
	return s
}

func plugNode(t testing.TB, n *bench.Node) *bench.Cable {
	c, err := bench.NewCable()
	require.NoError(t, err)
	t.Cleanup(func() { c.Close() })
	go n.Serve(c.Device())
	return c
}

// A notebook keeps what a session tells.
type notebook struct {
	mu    sync.Mutex
	lines []string
	kept  chan Status
}

func newNotebook() *notebook { return &notebook{kept: make(chan Status, 4096)} }

func (b *notebook) tell(text string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.lines = append(b.lines, text)
}

func (b *notebook) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return strings.Join(b.lines, "\n")
}

// until waits for a status.
func (b *notebook) until(t testing.TB, what string, is func(Status) bool) Status {
	t.Helper()
	timeout := time.After(time.Minute)
	for {
		select {
		case s := <-b.kept:
			if is(s) {
				return s
			}
		case <-timeout:
			t.Fatalf("it never came to this: %s; told:\n%v", what, b)
		}
	}
}

type running struct {
	*Session
	*notebook
	stop context.CancelFunc
	done chan error
}

func begin(t testing.TB, st *store.Store, c Config) *running {
	book := newNotebook()
	c.Tell, c.Kept = book.tell, func(s Status) { book.kept <- s }
	ctx, stop := context.WithCancel(t.Context())
	t.Cleanup(stop)
	s, err := Open(ctx, st, c)
	require.NoError(t, err)
	r := &running{s, book, stop, make(chan error, 1)}
	go func() {
		_, err := s.Run(ctx)
		r.done <- err
	}()
	return r
}

func (r *running) end(t testing.TB, st *store.Store) *store.Recording {
	r.stop()
	require.NoError(t, <-r.done)
	rec, err := st.Recording(context.Background(), r.status.ID)
	require.NoError(t, err)
	return rec
}

func TestANodeIsRecordedSampleForSample(t *testing.T) {
	board := &counter{second: 2}
	cable := plugNode(t, bench.NewNode(board.pins, bench.NodeOptions{Noise: -1}))
	st := newStore(t)
	r := begin(t, st, Config{Title: "run", Inputs: inputsOf(t, nodeLine(cable.Name()))})
	r.until(t, "1500 samples", func(s Status) bool { return s.Samples > 3000 })
	r.Mark("Load In", "test")
	r.Mark("a free word", "test")
	r.until(t, "markers", func(s Status) bool { return s.Markers == 2 && s.Samples > 5000 })
	rec := r.end(t, st)
	n, gaps := requireCounted(t, rec)
	assert.Greater(t, n, 2500)
	assert.Empty(t, gaps)
	assert.Equal(t, recording.LoadIn, rec.Markers()[0].Kind)
	assert.Equal(t, "a free word", rec.Markers()[1].Text)
	assert.Equal(t, "ended in order", rec.Why)

	// Values are those that the node itself would read: code and a half step.
	bus, alternator := rec.Channels()[0], rec.Channels()[1]
	assert.InDelta(t, 4*5/1024.0*(100+0.5), bus.Value(100), 1e-12)
	for b := range rec.Blocks(1, math.Inf(-1), math.Inf(1)) {
		assert.InDelta(t, 50-20*2, alternator.Value(b.Codes[0]), 20*5/1024.0)
	}
	assert.Equal(t, 1000.0, bus.Rate)
	assert.False(t, bus.AtEnd(0), "an input that cannot go below ground")
	assert.True(t, bus.AtEnd(1023))

	sum, err := Summarise(1, rec)
	require.NoError(t, err)
	assert.EqualValues(t, n, sum.Channels[0].Samples)
	var text strings.Builder
	require.NoError(t, sum.Text(&text))
	assert.Contains(t, text.String(), "2 channels, 2 markers")
}

// Pulled and plugged in again elsewhere: what is missing is a gap of that length.
func TestAPulledNodeGoesOnWhenItIsBack(t *testing.T) {
	hub, err := bench.NewHub(t.TempDir())
	require.NoError(t, err)
	t.Cleanup(port.UseTree(hub.Tree()))
	lead := bench.Adapter{Vendor: "16c0", Product: "05dc", Serial: "MH0042", Maker: "Reedbed", Text: "Serial lead"}
	board := &counter{}
	n := bench.NewNode(board.pins, bench.NodeOptions{Noise: -1, ID: 7})
	first := plugNode(t, n)
	require.NoError(t, hub.Plug("ttyUSB0", lead, first))
	st := newStore(t)
	r := begin(t, st, Config{Inputs: inputsOf(t, nodeLine("usb 16C0:05DC MH0042"))})
	before := r.until(t, "samples", func(s Status) bool { return s.Samples > 1000 })
	require.NoError(t, hub.Pull("ttyUSB0", first))
	away := r.until(t, "the loss is told", func(Status) bool { return strings.Contains(r.String(), "board") })
	second := plugNode(t, n)
	require.NoError(t, hub.Plug("ttyUSB5", lead, second))
	back := r.until(t, "samples after it", func(s Status) bool { return s.Samples > away.Samples+2000 })
	rec := r.end(t, st)
	_, gaps := requireCounted(t, rec)
	require.Len(t, gaps, 1)
	assert.Greater(t, gaps[0].From, 0.0)
	assert.Less(t, gaps[0].To, back.Elapsed.Seconds())
	assert.Less(t, before.Elapsed.Seconds()-1, gaps[0].To)
	assert.InDelta(t, (gaps[0].To-gaps[0].From)*1000, float64(gaps[0].Lost), 20)
	assert.Contains(t, r.String(), "began anew; what is missing before it is a gap")
	require.NoError(t, hub.Pull("ttyUSB5", second))
}

// What came before the trigger is part of the recording, and no more than was
// asked for.
func TestATriggerKeepsWhatCameBefore(t *testing.T) {
	board := &counter{second: 1}
	cable := plugNode(t, bench.NewNode(board.pins, bench.NodeOptions{Noise: -1}))
	st := newStore(t)
	trigger, err := ParseTrigger("alternator < -30 A")
	require.NoError(t, err)
	r := begin(t, st, Config{Inputs: inputsOf(t, nodeLine(cable.Name())), Trigger: trigger, Before: 500 * time.Millisecond})
	board.until(1500) // so that there is something to forget
	none, err := st.List(t.Context())
	require.NoError(t, err)
	assert.Empty(t, none)
	board.set(4.5)
	r.until(t, "samples", func(s Status) bool { return s.Samples > 4000 })
	rec := r.end(t, st)
	_, gaps := requireCounted(t, rec)
	assert.Empty(t, gaps)
	require.Len(t, rec.Markers(), 1)
	assert.Equal(t, "trigger", rec.Markers()[0].By)
	assert.InDelta(t, 0.5, rec.Markers()[0].At, 1e-6)
	from, _ := rec.Span(1)
	assert.InDelta(t, 0, from, 0.4, "but for what the line held up")
	first := 0
	for b := range rec.Blocks(1, math.Inf(-1), math.Inf(1)) {
		for _, code := range b.Codes {
			if rec.Channels()[1].Value(code) < -30 {
				assert.Greater(t, first, 100, "samples before the trigger")
				return
			}
			first++
		}
	}
	t.Fatal("the trigger's sample is not in it")
}

// Meters are recorded beside a node, at their own pace.
func TestAMeterBesideANode(t *testing.T) {
	board := &counter{}
	cable := plugNode(t, bench.NewNode(board.pins, bench.NodeOptions{Noise: -1}))
	meterCable, err := bench.NewCable()
	require.NoError(t, err)
	t.Cleanup(func() { meterCable.Close() })
	go bench.NewMeter(func() (float64, bool) { return 12.345, true }, bench.MeterOptions{}).Serve(meterCable.Device())
	text := nodeLine(cable.Name()) + fmt.Sprintf("  meter: {kind: scpi meter, port: %s, accuracy: {voltage: 0.05 %% + 3 digits}}\n", meterCable.Name())
	st := newStore(t)
	r := begin(t, st, Config{Inputs: inputsOf(t, text)[:3]})
	r.until(t, "samples", func(s Status) bool { return s.Samples > 3000 })
	rec := r.end(t, st)
	require.Len(t, rec.Channels(), 3)
	assert.Equal(t, "meter/voltage", rec.Channels()[2].Where)
	n := 0
	for b, err := range rec.Blocks(2, math.Inf(-1), math.Inf(1)) {
		require.NoError(t, err)
		assert.InDelta(t, 12.345, rec.Channels()[2].Value(b.Codes[0]), 1e-6)
		assert.Equal(t, recording.Clock{}, rec.Channels()[2].Clock, "stamped by the host")
		n++
	}
	assert.Positive(t, n)
}

func TestWordsThatAreNoTrigger(t *testing.T) {
	for _, text := range []string{"", "bus", "bus < ", "< 11 V", "bus = 11 V", "bus < eleven"} {
		_, err := ParseTrigger(text)
		assert.ErrorContains(t, err, "write it like", text)
	}
	tr, err := ParseTrigger("main bus>14,8V")
	require.NoError(t, err)
	assert.Equal(t, "main bus > 14.8 V", tr.String())
	streams := []store.Stream{{Channels: []recording.Channel{{Name: "main bus", Quantity: "voltage"}}}}
	require.NoError(t, tr.bind(streams))
	tr.Unit = "A"
	assert.ErrorContains(t, tr.bind(streams), "is in V")
	assert.ErrorContains(t, (&Trigger{Channel: "boss"}).bind(streams), "there are: main bus")
}

// recordUntilKilled says on standard output what is on disk, after each commit.
func recordUntilKilled(port, path string) {
	fail := func(err error) {
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	book, err := logbook.Open(path)
	fail(err)
	st, err := store.Open(book)
	fail(err)
	f, err := sources.Parse("sources.yaml", []byte(nodeLine(port)))
	fail(err)
	all, err := f.Sources()
	fail(err)
	var inputs []Input
	for _, name := range []string{"bus", "alternator"} {
		inputs = append(inputs, Input{Name: name, Source: sources.Of(all[0]), Channel: name})
	}
	out := json.NewEncoder(os.Stdout)
	s, err := Open(context.Background(), st, Config{Inputs: inputs, Patience: time.Hour, Kept: func(s Status) { fail(out.Encode(s)) }})
	fail(err)
	_, err = s.Run(context.Background())
	fail(err)
	os.Exit(0)
}

// child starts a recorder of its own; lines are what it says is on disk.
func child(t *testing.T, port, path string) (cmd *exec.Cmd, lines *bufio.Scanner) {
	self, err := os.Executable()
	require.NoError(t, err)
	cmd = exec.Command(self)
	cmd.Env = append(os.Environ(), asRecorder+"="+port, "LOGBOOK="+path)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	return cmd, bufio.NewScanner(out)
}

// Killed at any moment, everything that was said to be on disk is there; whatever
// the moment, also while chunks are made.
func TestKilledWhileRecording(t *testing.T) {
	board := &counter{}
	cable := plugNode(t, bench.NewNode(board.pins, bench.NodeOptions{Noise: -1}))
	path := filepath.Join(t.TempDir(), "logbook.db")
	for i, commits := range []int{1, 7, 20} {
		cmd, lines := child(t, cable.Name(), path)
		var s Status
		for range commits {
			require.True(t, lines.Scan())
			require.NoError(t, json.Unmarshal(lines.Bytes(), &s))
		}
		require.NoError(t, cmd.Process.Kill())
		for lines.Scan() { // what it still said
			require.NoError(t, json.Unmarshal(lines.Bytes(), &s))
		}
		cmd.Wait()
		st := openStore(t, path)
		rec, err := st.Recording(t.Context(), int64(i+1))
		require.NoError(t, err)
		n, gaps := requireCounted(t, rec)
		assert.Empty(t, gaps)
		assert.GreaterOrEqual(t, int64(2*n), s.Samples)
		assert.Contains(t, rec.Why, "stopped without a word")
		_, to := rec.Span(0)
		assert.WithinDuration(t, rec.Begun.Add(time.Duration(to*1e9)), rec.Ended, time.Second)
		t.Logf("killed after %d commits: %d samples acknowledged, %d there", commits, s.Samples, 2*n)
	}
}

// smallDisk is a disk of two megabytes; fill takes all that is left of it, and gives
// it back.
func smallDisk(t *testing.T) (dir string, fill func() (free func())) {
	if os.Geteuid() != 0 {
		t.Skip("a real full disk needs the right to mount one; TestAFullDiskIsToldAndLosesNothing of package store has the limit in SQLite instead")
	}
	dir = t.TempDir()
	require.NoError(t, unix.Mount("tmpfs", dir, "tmpfs", 0, "size=2m"))
	t.Cleanup(func() { require.NoError(t, unix.Unmount(dir, unix.MNT_DETACH)) })
	return dir, func() func() {
		name := filepath.Join(dir, "filler")
		f, err := os.Create(name)
		require.NoError(t, err)
		for err == nil {
			_, err = f.Write(make([]byte, 4096))
		}
		require.ErrorIs(t, err, unix.ENOSPC)
		require.NoError(t, f.Close())
		return func() { require.NoError(t, os.Remove(name)) }
	}
}

// On a disk that is really full it says so, loses nothing, and goes on when there is
// room.
func TestAFullDiskIsWaitedFor(t *testing.T) {
	dir, fill := smallDisk(t)
	board := &counter{}
	cable := plugNode(t, bench.NewNode(board.pins, bench.NodeOptions{Noise: -1}))
	book, err := logbook.Open(filepath.Join(dir, "logbook.db"))
	require.NoError(t, err)
	st, err := store.Open(book)
	require.NoError(t, err)
	r := begin(t, st, Config{Inputs: inputsOf(t, nodeLine(cable.Name()))})
	r.until(t, "samples", func(s Status) bool { return s.Samples > 2000 })
	free := fill()
	full := r.until(t, "the disk is full", func(s Status) bool { return s.Trouble != "" && s.Pending > 2000 })
	assert.Contains(t, full.Trouble, "the disk is full: make room")
	assert.Contains(t, r.String(), "what comes now is held in memory")
	free()
	r.until(t, "there is room", func(s Status) bool { return s.Trouble == "" && s.Samples > full.Samples+int64(full.Pending) })
	rec := r.end(t, st)
	_, gaps := requireCounted(t, rec)
	assert.Empty(t, gaps, "all was held")
	assert.Contains(t, r.String(), "there is room again")
	require.NoError(t, book.Close())
}

// When there is no room for long it ends in order: what is lost is told, all before
// is there.
func TestADiskThatStaysFull(t *testing.T) {
	dir, fill := smallDisk(t)
	board := &counter{}
	cable := plugNode(t, bench.NewNode(board.pins, bench.NodeOptions{Noise: -1}))
	book, err := logbook.Open(filepath.Join(dir, "logbook.db"))
	require.NoError(t, err)
	st, err := store.Open(book)
	require.NoError(t, err)
	r := begin(t, st, Config{Inputs: inputsOf(t, nodeLine(cable.Name())), Patience: time.Second})
	r.until(t, "samples", func(s Status) bool { return s.Samples > 2000 })
	free := fill()
	err = <-r.done
	assert.ErrorContains(t, err, "the disk is full")
	assert.ErrorContains(t, err, "samples are lost, all before is kept")
	free()
	rec, err := st.Recording(t.Context(), r.status.ID)
	require.NoError(t, err)
	n, gaps := requireCounted(t, rec)
	assert.Empty(t, gaps)
	assert.EqualValues(t, 2*n, r.status.Samples, "all that was acknowledged, and no more")
	require.NoError(t, book.Close())
}
