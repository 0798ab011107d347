// Package board runs the real firmware of the node on an emulated ATmega328P,
// in real time, for tests. Start one, open its Port as a serial port, and set
// what stands at its pins:
//
//	b := board.Start(t)
//	conn, err := port.Open(b.Port(), node.Line)
//	b.SetVolts(0, 3.15)
//
// The chip is emulated by libsimavr, which a small program in host/ joins to a
// pseudo-terminal. It needs the Debian packages named in [Packages], and Linux.
package board

import (
	"bufio"
	"crypto/sha256"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// Packages are the Debian packages that building and running needs.
const Packages = "make gcc gcc-avr avr-libc binutils-avr simavr libsimavr-dev libelf-dev"

// Hz is the emulated clock; all Cycle fields count it.
const Hz = 16_000_000

// ReferenceVolts is what full scale stands for.
const ReferenceVolts = 5.0

// patience is how long a test waits for what must come. It says nothing about
// how fast it comes.
const patience = 20 * time.Second

// Cut is a change of the cut-out output.
type Cut struct {
	On    bool   // power is allowed
	Cycle uint64 // emulated time
	Heard uint64 // emulated time at which the board had last got a byte
}

// Stat is how the emulation stands.
type Stat struct {
	Cycle         uint64
	LostBytes     uint64 // that nobody took from the port in time
	InterruptsOff uint64 // the longest that interrupts were off, in cycles
}

// A Board is a running one. Its methods fail the test when it has died.
type Board struct {
	t        testing.TB
	cmd      *exec.Cmd
	in       io.WriteCloser
	port     string
	done     chan Stat
	commands sync.Mutex

	mu      sync.Mutex
	changed chan struct{} // closed and replaced at each change of the output
	cuts    []Cut
	dead    chan struct{}
	stderr  strings.Builder
	closed  bool
}

// Start builds what is needed, once, and runs a board until the test ends.
func Start(t testing.TB) *Board {
	t.Helper()
	dir := Build(t)
	b := &Board{
		t:       t,
		cmd:     exec.Command(filepath.Join(dir, "board"), filepath.Join(dir, "node.elf")),
		done:    make(chan Stat, 1),
		changed: make(chan struct{}),
		dead:    make(chan struct{}),
	}
	b.cmd.Stderr = &b.stderr
	in, err := b.cmd.StdinPipe()
	must(t, err)
	out, err := b.cmd.StdoutPipe()
	must(t, err)
	must(t, b.cmd.Start())
	b.in = in
	name := make(chan string, 1)
	go b.watch(bufio.NewScanner(out), name)
	t.Cleanup(b.Close)
	select {
	case b.port = <-name:
	case <-b.dead:
		t.Fatalf("emulated board ended at once: %s", b.stderr.String())
	case <-time.After(patience):
		t.Fatalf("emulated board did not start in %v", patience)
	}
	return b
}

// Port is the name of its serial port.
func (b *Board) Port() string { return b.port }

// SetVolts puts a voltage on a pin, with the code that the chip would give:
// V × 1024 / V_ref, rounded down, 0 to 1023.
func (b *Board) SetVolts(ch int, volts float64) { b.StepVolts(ch, volts) }

// StepVolts does the same and returns the emulated time of the step.
func (b *Board) StepVolts(ch int, volts float64) (cycle uint64) {
	code := math.Floor(volts * 1024 / ReferenceVolts)
	return b.command("adc %d %d", ch, int(min(1023, max(0, code)))).Cycle
}

// Ramp makes the code of a pin climb by one each so many cycles, from 0 to 1023
// and again, by the emulated time at which each conversion begins.
func (b *Board) Ramp(ch, cycles int) { b.command("ramp %d %d", ch, cycles) }

// Noise puts a pin at a code with a fraction, and gives each conversion normal
// noise of so many codes.
func (b *Board) Noise(ch int, code, sigma float64) { b.command("noise %d %.9g %.9g", ch, code, sigma) }

// MonitorAddress is where [Board.PlugMonitor] puts the shunt monitor.
const MonitorAddress = 0x41

// PlugMonitor puts a shunt monitor on the I²C lines, as after power-on, or
// changes what stands at its inputs: bus in steps of 1.25 mV, shunt in steps of
// 2.5 µV. The firmware looks for one when it starts.
func (b *Board) PlugMonitor(bus, shunt int16) {
	b.command("shunt %d %d %d", MonitorAddress, uint16(bus), uint16(shunt))
}

// UnplugMonitor takes it away.
func (b *Board) UnplugMonitor() { b.command("shunt 0 0 0") }

// BlackOutMonitor takes its supply for a moment: it forgets how it was set.
func (b *Board) BlackOutMonitor() { b.command("blackout") }

// Poke changes a byte of the EEPROM.
func (b *Board) Poke(address int, value byte) { b.command("poke %d %d", address, value) }

// Hang stops the program in its tracks, with interrupts off.
func (b *Board) Hang() { b.command("hang") }

// Reset presses the reset button.
func (b *Board) Reset() { b.command("reset") }

// Stat tells how the emulation stands.
func (b *Board) Stat() Stat { return b.command("stat") }

// Cut says whether the cut-out output keeps power cut.
func (b *Board) Cut() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.cuts) == 0 || !b.cuts[len(b.cuts)-1].On
}

// Cuts are all changes of the cut-out output so far.
func (b *Board) Cuts() []Cut {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]Cut(nil), b.cuts...)
}

// AwaitCut waits until the output has changed more than seen times, and
// returns the change after those.
func (b *Board) AwaitCut(seen int) Cut {
	b.t.Helper()
	limit := time.After(patience)
	for {
		b.mu.Lock()
		changed := b.changed
		if len(b.cuts) > seen {
			defer b.mu.Unlock()
			return b.cuts[seen]
		}
		b.mu.Unlock()
		select {
		case <-changed:
		case <-b.dead:
			b.t.Fatalf("emulated board ended: %s", b.stderr.String())
		case <-limit:
			b.t.Fatalf("the cut-out did not change in %v", patience)
		}
	}
}

// Close ends the board. It may be called twice.
func (b *Board) Close() {
	b.mu.Lock()
	closed := b.closed
	b.closed = true
	b.mu.Unlock()
	if closed {
		return
	}
	b.in.Close() // the board ends when its standard input does
	select {
	case <-b.dead:
	case <-time.After(patience):
		b.cmd.Process.Kill()
		<-b.dead
	}
	b.cmd.Wait()
}

func (b *Board) command(format string, args ...any) Stat {
	b.t.Helper()
	b.commands.Lock()
	defer b.commands.Unlock()
	fmt.Fprintf(b.in, format+"\n", args...)
	select {
	case s := <-b.done:
		return s
	case <-b.dead:
		b.t.Fatalf("emulated board ended: %s", b.stderr.String())
	case <-time.After(patience):
		b.t.Fatalf("emulated board did not do %q in %v", fmt.Sprintf(format, args...), patience)
	}
	return Stat{}
}

// watch reads what the board tells, until it ends.
func (b *Board) watch(lines *bufio.Scanner, name chan<- string) {
	defer close(b.dead)
	for lines.Scan() {
		var s Stat
		var c Cut
		var level int
		line := lines.Text()
		switch {
		case strings.HasPrefix(line, "port "):
			name <- strings.TrimPrefix(line, "port ")
		case scan(line, "pin %d %d %d", &level, &c.Cycle, &c.Heard):
			c.On = level == 1
			b.mu.Lock()
			b.cuts = append(b.cuts, c)
			close(b.changed)
			b.changed = make(chan struct{})
			b.mu.Unlock()
		case scan(line, "done %d %d %d", &s.Cycle, &s.LostBytes, &s.InterruptsOff):
			b.done <- s
		}
	}
}

func scan(line, format string, into ...any) bool {
	n, err := fmt.Sscanf(line, format, into...)
	return err == nil && n == len(into)
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// Build makes the firmware and the program that runs it, unless they are there
// already for these sources, and returns the folder with node.elf and board. It
// is in the user's cache, never in the source tree.
func Build(t testing.TB) string {
	t.Helper()
	needTools(t)
	here := sources(t)
	cache, err := os.UserCacheDir()
	if err != nil {
		cache = os.TempDir()
	}
	dir := filepath.Join(cache, "loomproof-board", fingerprint(t, here))
	if _, err := os.Stat(filepath.Join(dir, "board")); err == nil {
		return dir
	}
	must(t, os.MkdirAll(filepath.Dir(dir), 0o755))
	work, err := os.MkdirTemp(filepath.Dir(dir), "build-")
	must(t, err)
	defer os.RemoveAll(work)
	run(t, "make", "-C", filepath.Join(here, "firmware"), "OUT="+work)
	run(t, "gcc", "-O2", "-Wall", "-Wextra", "-Werror", "-o", filepath.Join(work, "board"),
		filepath.Join(here, "board", "host", "board.c"), filepath.Join(here, "board", "host", "shuntmonitor.c"), "-lsimavr", "-lelf", "-lm")
	// Another test may have been faster: then its work stands.
	if err := os.Rename(work, dir); err != nil {
		if _, err := os.Stat(filepath.Join(dir, "board")); err != nil {
			t.Fatalf("cannot put the emulated board into %s: %v", dir, err)
		}
	}
	return dir
}

func needTools(t testing.TB) {
	t.Helper()
	for _, tool := range []string{"make", "gcc", "avr-gcc", "avr-objcopy"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Fatalf("%s is missing, which the emulated board needs; install the Debian packages: %s", tool, Packages)
		}
	}
	if _, err := os.Stat("/usr/include/simavr/sim_avr.h"); err != nil {
		t.Fatalf("libsimavr is missing, which emulates the board; install the Debian packages: %s", Packages)
	}
}

// sources is the folder probe/node, found from the folder that tests run in.
func sources(t testing.TB) string {
	t.Helper()
	dir, err := os.Getwd()
	must(t, err)
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return filepath.Join(dir, "probe", "node")
		}
		parent := filepath.Dir(dir)
		if parent == dir {
			t.Fatal("the firmware's sources are found from the module's root, and there is no go.mod above the working folder")
		}
		dir = parent
	}
}

// fingerprint is of all sources, so that a change builds anew.
func fingerprint(t testing.TB, here string) string {
	t.Helper()
	sum := sha256.New()
	for _, dir := range []string{"firmware", "board/host"} {
		err := filepath.WalkDir(filepath.Join(here, dir), func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			if ext := filepath.Ext(path); ext != ".c" && ext != ".h" && d.Name() != "Makefile" {
				return nil
			}
			content, err := os.ReadFile(path)
			fmt.Fprintf(sum, "%s %d\n%s", d.Name(), len(content), content)
			return err
		})
		must(t, err)
	}
	return fmt.Sprintf("%x", sum.Sum(nil))[:16]
}

func run(t testing.TB, name string, args ...string) {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s\nthe emulated board needs the Debian packages: %s", name, strings.Join(args, " "), err, out, Packages)
	}
}
