package procedure

import (
	"context"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/probe"
	typing "loomproof/probe/keyboard"
	"loomproof/probe/steady"
)

// A person types what a meter shows, at the desk: what is no reading is asked
// again with the reason, and one reading is enough.
func TestAMeterThatAPersonReads(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		desk := NewDesk()
		desk.Settle = 0
		meter, err := typing.Open(t.Context(), desk.Line, typing.Options{
			Name: "panel voltmeter", Scales: []typing.Scale{{Channel: "voltage", Quantity: probe.Voltage, High: 30, Class: 1.5, Division: 0.5}},
		})
		require.NoError(t, err)
		desk.show(Now{Kind: DoProbe, Say: "Red on the bus."})
		var asked []View
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		go func() {
			for _, line := range []string{"12.4 A", "12,4"} {
				_ = desk.Until(ctx, func(v View) bool { return v.Now.Write != "" && (v.Live != nil) == (len(asked) > 0) })
				v, _ := desk.View()
				asked = append(asked, v)
				assert.NoError(t, desk.Answer(Answer{ID: v.Now.ID, Text: line}))
				synctest.Wait()
			}
		}()
		p := &Performance{Desk: desk, Bench: &Bench{Meter: meter}, Design: &design.Design{}, watch: &watcher{}}
		c, err := p.untilSteady(ctx, meter, "voltage", feel{rule: steady.Rule{MustLift: true, Touch: 6}}, 1)
		require.NoError(t, err)
		assert.Equal(t, 12.4, c.Value)
		assert.Equal(t, 1, c.Count)
		require.Len(t, asked, 2)
		assert.Equal(t, "What does panel voltmeter show? Type the voltage in V", asked[0].Now.Say)
		assert.Equal(t, "Red on the bus.", asked[0].Now.Detail)
		assert.Contains(t, asked[1].Live.Phase, "wrong unit")
		v, _ := desk.View()
		assert.Equal(t, "Red on the bus.", v.Now.Say, "what was shown stands there again")
	})
}
