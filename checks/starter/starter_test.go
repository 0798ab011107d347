package starter_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/starter"
	"loomproof/checks/units"
)

// The starter is a whole aircraft: it parses, every load has a way from its bus
// and back, and solved on each source every load gets what it works with.
func TestTheStarterIsComplete(t *testing.T) {
	for _, nominal := range []units.Volts{14, 28} {
		text, err := starter.Design("Marsh Hen", nominal)
		require.NoError(t, err)
		d, err := design.Parse("starter.yaml", text)
		require.NoError(t, err)
		assert.Equal(t, "Marsh Hen", d.Aircraft.Name)
		assert.Equal(t, nominal, d.Aircraft.Nominal)
		for _, k := range d.Circuits {
			assert.NotNil(t, d.Feed(k), k.Name)
			assert.NotNil(t, d.Return(k), k.Name)
		}
		for _, source := range []string{"battery", "alternator", "supply"} {
			m := airframe.New(d)
			m.Set(airframe.AllOn(d, source))
			starved, err := m.Starved()
			require.NoError(t, err)
			assert.Empty(t, starved, source)
			for _, k := range d.Circuits {
				v, err := m.Volts(k.Name+".load+", k.Name+".load-")
				require.NoError(t, err)
				low := float64(d.Source(source).Volts) * 0.95
				assert.Greater(t, v, low, "%s on %s", k.Name, source)
				assert.Less(t, v, float64(d.Source(source).Volts), "%s on %s", k.Name, source)
			}
		}
	}
}

func TestOddNamesStillParse(t *testing.T) {
	for _, name := range []string{`"Hen" \ #2`, "Hen: the second", "Sumpfhuhn Ü", "a\nb: c", "{{.Name}}", "null"} {
		text, err := starter.Design(name, 14)
		require.NoError(t, err, name)
		_, err = design.Parse("starter.yaml", text)
		assert.NoError(t, err, name)
	}
}

func TestWhatItRefuses(t *testing.T) {
	_, err := starter.Design("Marsh Hen", 12)
	assert.ErrorContains(t, err, "14 V and 28 V")
	_, err = starter.Design(" \n", 14)
	assert.ErrorContains(t, err, "needs a name")
}
