package station

import (
	"context"
	"os"
	"path/filepath"
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
	assert.Contains(t, strings.Join(rep.Notes, "\n"), "Tove Lind said that its cause was found and put right")

	_, asked, err = p.perform(string(text), "", first)
	require.NoError(t, err)
	assert.Len(t, asked, 3, "the last one had none")
}

// A worksheet that was left unfinished before the smoke is not gone on with, either,
// before its cause was found; one that is gone on with after that asks nothing.
func TestAfterSmokeNoOlderWorksheetGoesOn(t *testing.T) {
	p := newPlayer(t, "feed('battery', 'Battery on?')\nhold('look')\n")
	text, _ := scripts.Design("marsh-hen")
	answer := func(d *procedure.Desk, n procedure.Now) string {
		if n.Say != "sniff" {
			return n.Answers[len(n.Answers)-1] // not yet
		}
		assert.NoError(t, d.Say(procedure.Word{Kind: procedure.WordSmoke, By: "Tove Lind"}))
		return ""
	}
	_, _, err := p.perform(string(text), "look", answer)
	require.ErrorIs(t, err, context.Canceled)
	other := p
	other.script = filepath.Join(t.TempDir(), "other.star")
	require.NoError(t, os.WriteFile(other.script, []byte("hold('sniff')\n"), 0o644))
	_, _, err = other.perform(string(text), "", answer)
	require.NoError(t, err)

	_, asked, err := p.perform(string(text), "", answer)
	require.ErrorIs(t, err, ErrSmoke)
	require.Len(t, asked, 1, "nothing is gone on with")
	assert.Contains(t, asked[0], "Worksheet 2, other, ended with smoke on ")
	_, asked, err = p.perform(string(text), "", func(_ *procedure.Desk, n procedure.Now) string { return n.Answers[0] })
	require.NoError(t, err)
	assert.Len(t, asked, 3, "the cause, the state of the aircraft, the question that it stood at")
}
