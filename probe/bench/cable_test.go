package bench

import (
	"bufio"
	"fmt"
	"io"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"loomproof/probe"
	"loomproof/probe/port"
)

// onEachCable runs a test over a pseudo-terminal, and over memory with a
// clock of its own.
func onEachCable(t *testing.T, test func(t *testing.T, cable *Cable)) {
	t.Run("pseudo-terminal", func(t *testing.T) {
		cable, err := NewCable()
		require.NoError(t, err)
		defer cable.Close()
		test(t, cable)
	})
	t.Run("memory", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			cable := NewMemoryCable()
			defer cable.Close()
			test(t, cable)
		})
	})
}

func TestCableCarriesAndIsOpenedAgain(t *testing.T) {
	onEachCable(t, func(t *testing.T, cable *Cable) {
		echoed := make(chan error)
		go func() {
			_, err := io.Copy(cable.Device(), struct{ io.Reader }{cable.Device()})
			echoed <- err
		}()
		for i := range 3 {
			conn, err := cable.Open(port.Mode{})
			require.NoError(t, err)
			assert.Equal(t, cable.Name(), conn.Name())
			_, err = cable.Open(port.Mode{})
			assert.ErrorContains(t, err, "busy")

			text := fmt.Sprintf("round %d\x00\xff\n", i)
			_, err = conn.Write([]byte(text))
			require.NoError(t, err)
			got, err := bufio.NewReader(conn).ReadString('\n')
			require.NoError(t, err)
			assert.Equal(t, text, got)
			require.NoError(t, conn.Close())
		}
		cable.Unplug()
		<-echoed
		_, err := cable.Open(port.Mode{})
		assert.Error(t, err)
		assert.NoError(t, cable.Close())
	})
}

func TestCableUnplugged(t *testing.T) {
	onEachCable(t, func(t *testing.T, cable *Cable) {
		conn, err := cable.Open(port.Mode{})
		require.NoError(t, err)
		defer conn.Close()
		gone := make(chan error)
		go func() {
			_, err := conn.Read(make([]byte, 1))
			gone <- err
		}()
		cable.Unplug()
		assert.ErrorIs(t, <-gone, probe.ErrGone)
	})
}

// A meter on a cable that is pulled and plugged in again, over and over.
func TestPlugCyclesLeakNothing(t *testing.T) {
	defer goleak.VerifyNone(t)
	meter := NewMeter(steady(12.6), MeterOptions{})
	for range 200 {
		cable, err := NewCable()
		require.NoError(t, err)
		served := make(chan error, 1)
		go func() { served <- meter.Serve(cable.Device()) }()
		conn, err := cable.Open(port.Mode{})
		require.NoError(t, err)
		_, err = conn.Write([]byte("READ?\n"))
		require.NoError(t, err)
		answer, err := bufio.NewReader(conn).ReadString('\n')
		require.NoError(t, err)
		require.Equal(t, "+1.26000000E+01\r\n", answer)
		cable.Unplug()
		require.NoError(t, <-served)
		_, err = conn.Read(make([]byte, 1))
		require.ErrorIs(t, err, probe.ErrGone)
		require.NoError(t, conn.Close())
	}
}
