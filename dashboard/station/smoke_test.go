package station

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/procedure"
	"loomproof/scripts"
)

// After smoke no worksheet is begun before a person has said that its cause was found,
// and the new one keeps that; the one after it asks nothing.
func TestAfterSmokeItsCauseIsAskedFor(t *testing.T) {
	p := newPlayer(t, "feed('battery', 'Battery on?')\nmove('in', 'strobe', 'Strobe in.')\nhold('look')\n")
	text, _ := scripts.Design("marsh-hen")

	_, asked, err := p.perform(string(text), "", func(d *procedure.Desk, n procedure.Now) string {
		if n.Say != "look" {
			return n.Answers[0]
		}
		assert.NoError(t, d.Say(procedure.Word{Kind: procedure.WordSmoke, By: "Tove Lind"}))
		return ""
	})
	require.NoError(t, err)
	assert.Contains(t, asked[len(asked)-1], "extinguisher")

	_, asked, err = p.perform(string(text), "", func(_ *procedure.Desk, n procedure.Now) string {
		assert.Contains(t, n.Detail, "strobe")
		return notFound
	})
	require.ErrorIs(t, err, ErrSmoke)
	require.Len(t, asked, 1, "nothing is begun")
	assert.Contains(t, asked[0], "Worksheet 1, short, ended with smoke on ")
	list, err := p.book.Worksheets(t.Context())
	require.NoError(t, err)
	assert.Len(t, list, 1)

	first := func(_ *procedure.Desk, n procedure.Now) string { return n.Answers[0] }
	rep, asked, err := p.perform(string(text), "", first)
	require.NoError(t, err)
	assert.Len(t, asked, 4)
	assert.Contains(t, strings.Join(rep.Notes, "\n"), "its cause was found and put right")

	_, asked, err = p.perform(string(text), "", first)
	require.NoError(t, err)
	assert.Len(t, asked, 3, "the last one had none")
}
