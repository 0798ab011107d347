package terminal

import (
	"bytes"
	"context"
	"io"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/procedure"
)

// A keyboard that is gone answers what it had typed, and then says that it is
// gone instead of waiting for ever.
func TestAKeyboardThatIsGone(t *testing.T) {
	desk := procedure.NewDesk()
	desk.Settle = 0
	ctx, alone := context.WithCancel(t.Context())
	var out bytes.Buffer
	keyboard, fingers := io.Pipe()
	term := Terminal{Desk: desk, Out: &out, In: keyboard, By: "somebody", Alone: alone}
	ended := make(chan struct{})
	go func() { defer close(ended); term.Run(t.Context()) }()
	go func() {
		_ = desk.Until(t.Context(), func(v procedure.View) bool { return v.Now.Say == "First?" })
		_, _ = fingers.Write([]byte("\n"))
		fingers.Close()
	}()
	require.NoError(t, desk.Ask(ctx, "First?", "Done"))
	assert.ErrorIs(t, desk.Ask(ctx, "Second?", "Done"), context.Canceled)
	<-ended
	assert.Contains(t, out.String(), "> First?")
	assert.Contains(t, out.String(), "> Second?")
}
