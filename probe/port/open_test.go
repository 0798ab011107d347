//go:build unix

package port

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/term"

	"go.bug.st/serial"
	"go.uber.org/goleak"

	"loomproof/probe"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// plug opens a pseudo-terminal: the instrument's side, and the port's name.
func plug(t testing.TB) (instrument *os.File, name string) {
	instrument, tty, err := pty.Open()
	require.NoError(t, err)
	_, err = term.MakeRaw(int(tty.Fd()))
	require.NoError(t, err)
	t.Cleanup(func() { instrument.Close(); tty.Close() })
	return instrument, tty.Name()
}

func open(t testing.TB, name string) Conn {
	conn, err := Open(name, Mode{Baud: 115200})
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() })
	return conn
}

func TestExchange(t *testing.T) {
	instrument, name := plug(t)
	conn := open(t, name)
	assert.Equal(t, name, conn.Name())

	n, err := conn.Write([]byte("READ?\n"))
	require.NoError(t, err)
	assert.Equal(t, 6, n)
	got := make([]byte, 6)
	_, err = io.ReadFull(instrument, got)
	require.NoError(t, err)
	assert.Equal(t, "READ?\n", string(got))

	// Every byte value passes unchanged, both ways.
	all := make([]byte, 256)
	for i := range all {
		all[i] = byte(i)
	}
	_, err = instrument.Write(all)
	require.NoError(t, err)
	got = make([]byte, 256)
	_, err = io.ReadFull(conn, got)
	require.NoError(t, err)
	assert.Equal(t, all, got)

	_, err = conn.Write(all)
	require.NoError(t, err)
	_, err = io.ReadFull(instrument, got)
	require.NoError(t, err)
	assert.Equal(t, all, got)
}

func TestOpenForgetsWhatCameBefore(t *testing.T) {
	instrument, name := plug(t)
	_, err := instrument.WriteString("old")
	require.NoError(t, err)
	conn := open(t, name)
	_, err = instrument.WriteString("new")
	require.NoError(t, err)
	got := make([]byte, 3)
	_, err = io.ReadFull(conn, got)
	require.NoError(t, err)
	assert.Equal(t, "new", string(got))
}

func TestUnplugInTheMiddleOfARead(t *testing.T) {
	instrument, name := plug(t)
	conn := open(t, name)
	failed := make(chan error)
	go func() {
		buf := make([]byte, 8)
		for {
			if _, err := conn.Read(buf); err != nil {
				failed <- err
				return
			}
		}
	}()
	_, err := instrument.WriteString("x")
	require.NoError(t, err)
	instrument.Close()

	err = <-failed
	assert.ErrorIs(t, err, probe.ErrGone)
	assert.NotErrorIs(t, err, ErrClosed)
	assert.ErrorContains(t, err, "port "+name+": port gone: unplugged")
	_, err = conn.Write([]byte("x"))
	assert.ErrorIs(t, err, probe.ErrGone)
	assert.NoError(t, conn.Close())
}

func TestCloseFreesARead(t *testing.T) {
	_, name := plug(t)
	conn := open(t, name)
	failed := make(chan error)
	go func() {
		_, err := conn.Read(make([]byte, 1))
		failed <- err
	}()
	assert.NoError(t, conn.Close())
	assert.NoError(t, conn.Close(), "a second time")
	err := <-failed
	assert.ErrorIs(t, err, ErrClosed)
	assert.ErrorIs(t, err, probe.ErrGone)
	_, err = conn.Read(make([]byte, 1))
	assert.ErrorIs(t, err, ErrClosed)
	_, err = conn.Write([]byte("x"))
	assert.ErrorIs(t, err, ErrClosed)
}

// A peer that takes nothing: the kernel keeps some bytes, then Write waits
// for ever, and closing the file does not free it.
func TestAStuckWriteIsGivenUp(t *testing.T) {
	instrument, name := plug(t)
	conn := open(t, name)
	_, err := conn.Write(bytes.Repeat([]byte("x"), 1<<20))
	assert.ErrorIs(t, err, probe.ErrGone)
	assert.NotErrorIs(t, err, ErrClosed)
	assert.ErrorContains(t, err, "it took no bytes for 2s, so it was given up")
	_, err = conn.Read(make([]byte, 1))
	assert.ErrorContains(t, err, "given up")
	assert.NoError(t, conn.Close())

	// The lock is free again at once.
	again := open(t, name)
	assert.NoError(t, again.Close())
	instrument.Close() // ends the stuck write, or goleak finds it
}

func TestSecondOpenIsRefused(t *testing.T) {
	instrument, name := plug(t)
	first := open(t, name)
	_, err := Open(name, Mode{})
	assert.EqualError(t, err, "port "+name+": busy, this program holds it; close that first")

	// The refused open left the first one whole.
	_, err = instrument.WriteString("x")
	require.NoError(t, err)
	_, err = first.Read(make([]byte, 1))
	assert.NoError(t, err)

	require.NoError(t, first.Close())
	assert.NoError(t, open(t, name).Close())
}

func TestOpenSaysWhatToDo(t *testing.T) {
	missing := filepath.Join(t.TempDir(), "ttyNONE")
	_, err := Open(missing, Mode{})
	assert.ErrorIs(t, err, fs.ErrNotExist)
	assert.ErrorContains(t, err, "port "+missing+": file does not exist; ")
	assert.ErrorContains(t, err, "check the cable")

	file := filepath.Join(t.TempDir(), "notes.txt")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	_, err = Open(file, Mode{})
	assert.ErrorContains(t, err, "cannot be opened as a serial port")

	_, name := plug(t)
	_, err = Open(name, Mode{Baud: 3})
	assert.EqualError(t, err, "port "+name+": speed 3 is outside 50 to 12000000")
	_, err = Open(name, Mode{StopBits: OneAndHalfStopBits})
	assert.ErrorContains(t, err, "9600 8N1.5")
}

// The errors that this machine can't be brought to give.
func TestOpenError(t *testing.T) {
	node := filepath.Join(t.TempDir(), "ttyX")
	require.NoError(t, os.WriteFile(node, nil, 0o600))
	require.NoError(t, os.Chmod(node, 0o660))
	err := openError(node, Mode{}, syscall.EACCES)
	assert.ErrorIs(t, err, fs.ErrPermission)
	assert.ErrorContains(t, err, "it belongs to group ")
	assert.ErrorContains(t, err, "sudo usermod -aG ")

	require.NoError(t, os.Chmod(node, 0o600))
	assert.ErrorContains(t, openError(node, Mode{}, syscall.EACCES), "its rights are -rw-------")
	assert.ErrorContains(t, openError(node+"gone", Mode{}, syscall.EACCES), "ask whoever looks after this computer")

	assert.EqualError(t, openError(node, Mode{}, syscall.EBUSY), "port "+node+": busy, another program holds it; close that first")
	assert.True(t, isBusy(&serial.PortError{}), "the code of a busy port is the library's zero")
	assert.False(t, isMissing(errors.New("other")))
}

func TestListOpensNothing(t *testing.T) {
	_, name := plug(t)
	conn := open(t, name)
	_, err := List()
	require.NoError(t, err)
	assert.Equal(t, "busy: this program holds it", problem(name))
	require.NoError(t, conn.Close())
	assert.Contains(t, problem(filepath.Join(t.TempDir(), "none")), "no such file")
}

func BenchmarkEcho(b *testing.B) {
	instrument, name := plug(b)
	conn := open(b, name)
	go io.Copy(instrument, instrument)
	buf := []byte("x")
	b.ReportAllocs()
	for b.Loop() {
		if _, err := conn.Write(buf); err != nil {
			b.Fatal(err)
		}
		if _, err := conn.Read(buf); err != nil {
			b.Fatal(err)
		}
	}
}
