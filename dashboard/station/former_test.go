package station

import (
	"context"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/procedure"
	"loomproof/scripts"
)

// A design that was changed does not lose the worksheet that was begun with the one
// before: a person is asked, and it goes on by the design that it has.
func TestAnUnfinishedWorksheetOfTheFormerDesign(t *testing.T) {
	p := newPlayer(t, "hold('first')\nhold('second')\n")
	text, _ := scripts.Design("marsh-hen")
	changed := string(text) + "\n# a longer wire\n"
	answering := func(former string) func(*procedure.Desk, procedure.Now) string {
		return func(_ *procedure.Desk, n procedure.Now) string {
			if strings.HasPrefix(n.Say, "Worksheet ") {
				return former
			}
			return n.Answers[0]
		}
	}

	_, _, err := p.perform(string(text), "second", answering(""))
	require.ErrorIs(t, err, context.Canceled)

	_, asked, err := p.perform(changed, "first", answering(beginNew))
	require.ErrorIs(t, err, context.Canceled)
	assert.Equal(t, []string{"Worksheet 1 of short is unfinished. The design has changed since.", "first"}, asked, "a new one begins at its beginning")

	rep, asked, err := p.perform(changed+"# and another\n", "", answering(goOn))
	require.NoError(t, err)
	assert.Equal(t, int64(2), rep.Worksheet, "the newest is gone on with")
	assert.Equal(t, design.Revision([]byte(changed)), rep.DesignRevision)
	assert.Equal(t, []string{"Worksheet 2 of short is unfinished. The design has changed since.", "first", "second"}, asked)

	rep, asked, err = p.perform(changed, "", answering(goOn))
	require.NoError(t, err)
	assert.Equal(t, int64(1), rep.Worksheet)
	assert.Equal(t, design.Revision(text), rep.DesignRevision)
	assert.Equal(t, []string{"Worksheet 1 of short is unfinished. The design has changed since.", "second"}, asked)
}
