package procedure

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.starlark.net/starlark"
)

func TestCreptFirst(t *testing.T) {
	circuit := func(name string) starlark.Value { return record("circuit", "name", starlark.String(name)) }
	list := starlark.NewList([]starlark.Value{circuit("radio"), circuit("strobe"), circuit("gps"), circuit("trim")})
	out, err := creptFirst(list, []string{"gps", "G4", "strobe"})
	require.NoError(t, err)
	var names []string
	for i := range out.Len() {
		n, err := out.Index(i).(starlark.HasAttrs).Attr("name")
		require.NoError(t, err)
		text, _ := starlark.AsString(n)
		names = append(names, text)
	}
	assert.Equal(t, []string{"gps", "strobe", "radio", "trim"}, names)
	_, err = creptFirst(starlark.NewList([]starlark.Value{starlark.MakeInt(3)}), nil)
	assert.ErrorContains(t, err, "int has no name")
}

// A script asks for what crept first, and goes on in that order.
func TestAScriptAsksWhatCreptFirst(t *testing.T) {
	p := playQuietly(t, `
for c in crept_first(circuits)[:2]:
    note(c.name)
`, nil)
	require.NoError(t, p.err)
	assert.Equal(t, []string{"alternator-field", "starter"}, p.sheet.Notes, "nothing crept: as they stand")
}
