package procedure

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestWhatComesNext(t *testing.T) {
	says := []string{"Begin.", "Close RADIO.", "Red probe on A.", "Close RADIO.", "Red probe on B.", "Red probe on B.", "Done."}
	a := ahead{says: says}
	for _, c := range []struct{ say, next string }{
		{"Begin.", "Close RADIO."},
		{"Close RADIO.", "Red probe on A."},
		{"Nothing steady: look at the wiring.", ""}, // beside the order
		{"Red probe on A.", "Close RADIO."},
		{"Close RADIO.", "Red probe on B."}, // the second time
		{"Red probe on B.", "Done."},
		{"Red probe on B.", "Done."},        // asked again
		{"Red probe on A.", "Close RADIO."}, // read again, a step back
		{"Close RADIO.", "Red probe on B."},
		{"Done.", ""},
	} {
		assert.Equal(t, c.next, a.after(c.say), c.say)
	}
	assert.Empty(t, (&ahead{}).after("Begin."))
}

// A screen is told as soon as the order is known, and no more when it ends.
func TestTheDeskTellsWhatComesNext(t *testing.T) {
	d := NewDesk()
	d.show(Now{Kind: DoHold, Say: "Begin.", Answers: []string{"Begun"}})
	v, changed := d.View()
	assert.Empty(t, v.Next)
	d.Ahead([]string{"Begin.", "Close RADIO."})
	<-changed
	v, _ = d.View()
	assert.Equal(t, "Close RADIO.", v.Next)
	d.show(Now{Kind: DoHold, Say: "Close RADIO.", Answers: []string{"Closed"}})
	v, _ = d.View()
	assert.Empty(t, v.Next)
}
