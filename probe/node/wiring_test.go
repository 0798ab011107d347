package node_test

import (
	"os"
	"regexp"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The dividers on the wiring page have the scale, range and step that are
// printed beside them, a source resistance that the converter can do with, and
// room above the bus.
func TestTheDividersOnTheWiringPageAreRight(t *testing.T) {
	text, err := os.ReadFile("WIRING.md")
	require.NoError(t, err)
	rows := regexp.MustCompile(`(?m)^\| (\d+) V \| ([\d.]+) \| ([\d.]+) \| ([\d.]+) \| ([\d.]+) \| ([\d.]+) \| ([\d.]+) \|$`).FindAllStringSubmatch(string(text), -1)
	require.Len(t, rows, 2)
	most := map[string]float64{"14": 15.1, "28": 30.3} // DO-160 section 16, category B
	for _, row := range rows {
		var v [7]float64
		for i := range v {
			v[i], err = strconv.ParseFloat(row[i+1], 64)
			require.NoError(t, err)
		}
		r0, r1, r2 := v[1], v[2], v[3]
		scale := (r0 + r1 + r2) / r2
		assert.InDelta(t, scale, v[4], 1e-9)
		assert.InDelta(t, scale*5, v[5], 1e-9)
		assert.InDelta(t, scale*5/1024*1000, v[6], 0.005)
		assert.Less(t, (r0+r1)*r2/(r0+r1+r2), 10.0, "kΩ, for the converter")
		assert.Greater(t, v[5], 1.2*most[row[1]])
	}
}
