package port

import (
	"bytes"
	"io"
	"math/rand/v2"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
)

func TestPipeCarriesBothWays(t *testing.T) {
	a, b := Pipe()
	defer a.Close()
	rng := rand.New(rand.NewPCG(1, 2))
	sent := make([]byte, 3*pipeSize+17)
	for i := range sent {
		sent[i] = byte(rng.Uint32())
	}
	var group sync.WaitGroup
	for _, way := range [][2]Conn{{a, b}, {b, a}} {
		group.Go(func() {
			n, err := way[0].Write(sent)
			assert.NoError(t, err)
			assert.Equal(t, len(sent), n)
		})
		group.Go(func() {
			got := make([]byte, len(sent))
			_, err := io.ReadFull(way[1], got)
			assert.NoError(t, err)
			assert.True(t, bytes.Equal(sent, got))
		})
	}
	group.Wait()
}

func TestPipeGivesAStuckWriteUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := Pipe()
		start := time.Now()
		n, err := a.Write(make([]byte, pipeSize+1))
		assert.Equal(t, pipeSize, n)
		assert.ErrorIs(t, err, probe.ErrGone)
		assert.ErrorContains(t, err, "port pipe a: port gone: it took no bytes for 2s")
		assert.Equal(t, writeDeadline, time.Since(start))
		_, err = b.Read(make([]byte, 1))
		assert.ErrorIs(t, err, probe.ErrGone)
	})
}

func TestPipeClose(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := Pipe()
		reads := make(chan error, 2)
		for _, e := range []Conn{a, b} {
			go func() {
				_, err := e.Read(make([]byte, 1))
				reads <- err
			}()
		}
		synctest.Wait() // both wait
		require.NoError(t, a.Close())
		require.NoError(t, a.Close())
		require.NoError(t, b.Close())
		for range 2 {
			assert.ErrorIs(t, <-reads, probe.ErrGone)
		}
		_, err := a.Read(make([]byte, 1))
		assert.ErrorIs(t, err, ErrClosed)
		_, err = b.Write([]byte("x"))
		assert.NotErrorIs(t, err, ErrClosed, "b was unplugged before it was closed")
		assert.ErrorIs(t, err, probe.ErrGone)
	})
}
