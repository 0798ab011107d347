package bench

import (
	"encoding/hex"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// The frame that a meter sent, as printed in a public protocol note (W. Mason,
// R. Garner): 04.71 kΩ, without its first byte and with a last one of its own;
// and two that were built by hand from the note's table.
func TestHandheldFramesAsPublished(t *testing.T) {
	frame := func(text string, decimals int, negative bool, words ...string) string {
		b := encodeLCD(append(segments(text, decimals, negative), words...))
		return strings.ToUpper(hex.EncodeToString(b))
	}
	assert.Equal(t, "273D425769758095A2B0C4D0", frame("0471", 2, false, "k", "Ω")[2:26])
	assert.Equal(t, "1729"+"3F435F677F8995A0B8C0D4E0", frame("3987", 1, true, "m", "V", "DC", "AUTO", "sends"))
	assert.Equal(t, "13203047"+"5D6E788090A0B2C4D0E0", frame(" 0L ", 2, false, "M", "Ω", "AUTO", "sends"))
}
