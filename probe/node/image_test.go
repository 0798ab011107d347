package node_test

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe/node"
	"loomproof/probe/node/board"
)

var update = flag.Bool("update", false, "write the firmware image that ships inside the program anew")

// What ships is what the sources give, byte for byte.
func TestImageIsBuiltFromTheSources(t *testing.T) {
	built, err := os.ReadFile(filepath.Join(board.Build(t), "node.hex"))
	require.NoError(t, err)
	if *update {
		require.NoError(t, os.WriteFile("firmware/node.hex", built, 0o644))
		return
	}
	if string(built) != string(node.Firmware().Hex) {
		assert.Fail(t, "the image that ships is not what the sources in firmware/ give; write it anew with: make generate. "+
			"Another compiler than Debian 12's gcc-avr 5.4.0 gives other bytes")
	}
}

func TestImageTellsWhatItIs(t *testing.T) {
	i := node.Firmware()
	assert.Greater(t, i.Size, 4000)
	assert.Less(t, i.Size, 30<<10, "the flash memory, less 2 KiB for a boot loader")
	assert.Len(t, i.SHA256, 64)
	assert.True(t, strings.HasSuffix(strings.TrimSpace(string(i.Hex)), ":00000001FF"), "the end record")
	assert.Contains(t, i.String(), "node firmware 1.1 for the ATmega328P at 16 MHz: ")
	assert.Contains(t, i.String(), i.SHA256)
	i.Hex[0] = 'x'
	assert.Equal(t, byte(':'), node.Firmware().Hex[0], "a copy")
}
