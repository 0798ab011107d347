package diagram

import (
	"encoding/xml"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/dashboard/band"
	"loomproof/scripts"
)

func marshHen(t *testing.T) *design.Design {
	t.Helper()
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	return d
}

// words reads the picture back: it must be well-formed, and these its texts.
func words(t *testing.T, svg string) string {
	t.Helper()
	var text strings.Builder
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		token, err := d.Token()
		if err == io.EOF {
			return text.String()
		}
		require.NoError(t, err)
		if c, ok := token.(xml.CharData); ok {
			text.Write(c)
			text.WriteByte('\n')
		}
	}
}

func TestEveryPartOfTheDesignIsDrawn(t *testing.T) {
	d := marshHen(t)
	text := words(t, SVG(d, nil))
	for _, s := range d.Sources {
		assert.Contains(t, text, s.Name)
	}
	for _, b := range d.Buses {
		assert.Contains(t, text, b.Title)
	}
	for _, k := range d.Circuits {
		assert.Contains(t, text, shorten(k.Called(), 26))
		assert.Contains(t, SVG(d, nil), `id="circuit-`+k.Name+`"`)
	}
	assert.Contains(t, text, d.Revision)
}

func TestVerdictsAndHostileNames(t *testing.T) {
	d := marshHen(t)
	d.Circuits[0].Title = `</text><script>alert(1)</script>`
	svg := SVG(d, map[string]string{"radio": "fail"})
	words(t, svg)
	assert.NotContains(t, svg, "<script>")
	assert.Contains(t, svg, `<g id="circuit-radio" class="v-fail">`)
	assert.Contains(t, svg, band.Shape("fail"), "told by shape, not by colour alone")
	assert.NotContains(t, svg, "<a ")

	inside := Inside(d, map[string]string{"radio": "fail"}, func(name string) string { return "/aircraft/" + name })
	words(t, inside)
	assert.NotContains(t, inside, "<style", "a strict page has the style in a file")
	assert.Equal(t, len(d.Circuits), strings.Count(inside, `<a href="/aircraft/`))
	assert.NotContains(t, inside, "<script>")
}

// A bus of sixty circuits goes on in rows; nothing is drawn outside.
func TestManyCircuitsWrap(t *testing.T) {
	d := marshHen(t)
	k := d.Circuits[0]
	for range 60 {
		d.Circuits = append(d.Circuits, k)
	}
	svg := SVG(d, nil)
	words(t, svg)
	assert.Contains(t, svg, "(goes on)")
}
