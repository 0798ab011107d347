package band

import (
	"encoding/xml"
	"io"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func at(v float64) *float64 { return &v }

func TestLetters(t *testing.T) {
	inside := Band{Unit: "V", Reading: at(13.5), Design: at(13.4), Low: at(13), High: at(14), Uncertainty: 0.02, Verdict: "pass"}
	assert.Equal(t, "   [------------:-=o=--------------]   ", inside.Letters(39))
	above := Band{Unit: "V", Reading: at(0.12), Design: at(0.03), High: at(0.05), Uncertainty: 0.005, Verdict: "fail"}
	l := above.Letters(40)
	assert.Less(t, strings.Index(l, "]"), strings.Index(l, "o"), l)
	assert.Less(t, strings.Index(l, ":"), strings.Index(l, "]"), l)
	assert.Equal(t, strings.Repeat(" ", 20), Band{}.Letters(20))
}

func TestPictureIsWellFormed(t *testing.T) {
	for _, b := range []Band{
		{Unit: "V", Reading: at(13.5), Design: at(13.4), Low: at(13), High: at(14), Uncertainty: 0.02, Verdict: "pass"},
		{Unit: `<script>"&`, Reading: at(0), High: at(0), Verdict: `"><script>`},
		{Unit: "A", Design: at(2)},
		{Unit: "A", Reading: at(math.NaN()), Low: at(1), Verdict: "undecided"},
	} {
		svg := string(b.SVG(200))
		require.NotContains(t, svg, "<script>")
		d := xml.NewDecoder(strings.NewReader(svg))
		for {
			_, err := d.Token()
			if err == io.EOF {
				break
			}
			require.NoError(t, err, svg)
		}
	}
}

func TestVerdictsDifferByShapeAndWord(t *testing.T) {
	seen := map[string]bool{}
	for _, v := range []string{"pass", "fail", "undecided", "not done"} {
		s := string(Stamp(v))
		assert.Contains(t, s, " "+v+"</span>")
		shape := s[strings.Index(s, "<svg"):strings.Index(s, "</svg>")]
		assert.False(t, seen[shape], "%s has the shape of another", v)
		seen[shape] = true
	}
}
