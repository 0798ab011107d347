package e2e

import (
	"bytes"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func text(n int) string { return strconv.Itoa(n) }

// look keeps a picture for a person to look at, in the folder that
// LOOMPROOF_PICTURES names, if it names one.
func look(t testing.TB, name string, picture []byte) {
	t.Helper()
	if folder := os.Getenv("LOOMPROOF_PICTURES"); folder != "" {
		require.NoError(t, os.WriteFile(filepath.Join(folder, strings.ReplaceAll(name, " ", "-")+".png"), picture, 0o644))
	}
}

// maxPicture is how many bytes a picture of the README may have.
const maxPicture = 60_000

// takePicture writes one of the README's pictures, with -update, and checks
// that it is there.
func (b *bench) takePicture(name string) {
	b.t.Helper()
	path := filepath.Join("pictures", name)
	if *update {
		require.NoError(b.t, os.WriteFile(path, small(b.t, b.picture()), 0o644))
	}
	file, err := os.ReadFile(path)
	require.NoError(b.t, err, "write it with: go test ./dashboard/e2e -update")
	assert.LessOrEqual(b.t, len(file), maxPicture)
	shown, err := png.DecodeConfig(bytes.NewReader(file))
	require.NoError(b.t, err)
	assert.Equal(b.t, 1366, shown.Width)
}

// small makes a picture of ink on paper a small file: 48 colours are enough for
// smooth letters.
func small(t testing.TB, picture []byte) []byte {
	t.Helper()
	from, err := png.Decode(bytes.NewReader(picture))
	require.NoError(t, err)
	count := map[color.Color]int{}
	area := from.Bounds()
	for y := area.Min.Y; y < area.Max.Y; y++ {
		for x := area.Min.X; x < area.Max.X; x++ {
			count[from.At(x, y)]++
		}
	}
	var colours color.Palette
	for c := range count {
		colours = append(colours, c)
	}
	slices.SortFunc(colours, func(a, b color.Color) int { return count[b] - count[a] })
	to := image.NewPaletted(area, colours[:min(48, len(colours))])
	draw.Draw(to, area, from, area.Min, draw.Src)
	var out bytes.Buffer
	require.NoError(t, (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&out, to))
	return out.Bytes()
}
