package scripts

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// Every procedure in the folder is listed, once, and the ones named in the order
// of the job are there.
func TestProceduresAreThoseOfTheFolder(t *testing.T) {
	names := Procedures()
	seen := map[string]bool{}
	for _, name := range names {
		_, ok := Procedure(name)
		assert.True(t, ok, name)
		assert.False(t, seen[name], name)
		seen[name] = true
	}
	assert.Contains(t, names, "first-power-on")
}

func TestNeeds(t *testing.T) {
	assert.Equal(t, []string{"meter", "supply"}, Needs("first-power-on"))
	assert.Equal(t, []string{"meter"}, Needs("ground-run"))
	assert.Empty(t, Needs("compass"))
	assert.Empty(t, Needs("no such"))
}
