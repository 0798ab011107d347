package board_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"go.uber.org/goleak"

	"loomproof/probe/node/board"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestBoardStartsCutAndRunsOn(t *testing.T) {
	b := board.Start(t)
	assert.NotEmpty(t, b.Port())
	assert.True(t, b.Cut(), "power must be cut after a reset")
	before := b.Stat()
	assert.Eventually(t, func() bool { return b.Stat().Cycle > before.Cycle }, 20*time.Second, time.Millisecond)
	b.Close()
	b.Close()
}
