package terminal

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// What can be typed is said when something else was.
func TestChoices(t *testing.T) {
	assert.Equal(t, `Press Enter for "Done"`, choices([]string{"Done"}))
	assert.Equal(t, `Type its number, 1 to 2, or press Enter for "Yes"`, choices([]string{"Yes", "No"}))
}
