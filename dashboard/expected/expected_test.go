package expected

import (
	"bytes"
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/limits"
	"loomproof/scripts"
)

func marshHen(t *testing.T) *design.Design {
	t.Helper()
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	return d
}

// Kirchhoff by the table itself: what the drops along the radio's way lose is
// what its load has less than its bus, and the currents of all circuits with
// the coil are the supply's.
func TestTheTableAddsUp(t *testing.T) {
	d := marshHen(t)
	table, err := New(d, "all-on", []string{"supply"}, nil)
	require.NoError(t, err)
	feed, load := 0.0, 0.0
	potential := map[string]float64{}
	current := 0.0
	for _, r := range table.Rows {
		switch {
		case r.Circuit == "radio" && (r.What == "drop" || r.What == "protector drop"):
			feed += r.Design
		case r.Circuit == "radio" && r.What == "load voltage":
			load = r.Design
		case r.What == "potential":
			potential[r.From] = r.Design
		case r.What == "current":
			current += r.Design
		}
		assert.LessOrEqual(t, r.Least, r.Design)
		assert.LessOrEqual(t, r.Design, r.Most)
	}
	assert.InDelta(t, potential["avionics"]-potential["radio.load-"], feed+load, 1e-9)
	m := airframe.New(d)
	m.Set(table.State)
	total, err := m.Value(airframe.OutOf("supply"))
	require.NoError(t, err)
	assert.InDelta(t, total, current+0.8*potential["battery+"]/14, 0.02, "with the contactor's coil")
}

func TestTransmittingDipsTheRadio(t *testing.T) {
	d := marshHen(t)
	volts := func(working ...string) float64 {
		table, err := New(d, "all-on", []string{"battery"}, working)
		require.NoError(t, err)
		for _, r := range table.Rows {
			if r.Circuit == "radio" && r.What == "load voltage" {
				return r.Design
			}
		}
		return 0
	}
	assert.Less(t, volts("radio"), volts()-0.1)
}

func TestBothForms(t *testing.T) {
	table, err := New(marshHen(t), "essential", []string{"battery"}, nil)
	require.NoError(t, err)
	var b bytes.Buffer
	require.NoError(t, table.JSON(&b))
	var back Table
	require.NoError(t, json.Unmarshal(b.Bytes(), &back))
	assert.Equal(t, table.Rows, back.Rows)
	b.Reset()
	require.NoError(t, table.Text(&b))
	assert.Contains(t, b.String(), "Marsh Hen, essential, fed by battery")
	assert.NotContains(t, b.String(), "\nstrobe\n", "shed")
}

func TestWrongNamesSayWhatThereIs(t *testing.T) {
	d := marshHen(t)
	_, err := New(d, "hot", []string{"battery"}, nil)
	assert.ErrorContains(t, err, "there are: all-on, essential, master-only, asleep, off")
	_, err = New(d, "all-on", []string{"mains"}, nil)
	assert.ErrorContains(t, err, "the design has: battery, alternator, supply")
	_, err = New(d, "all-on", []string{"battery"}, []string{"radar"})
	assert.ErrorContains(t, err, `no circuit "radar"`)
}

// No limit stands upside down: in no state, by no source, is the least that is
// allowed above the most. A bus that nothing feeds has no rule for what is lost on the
// way to it.
func TestNoLimitIsUpsideDown(t *testing.T) {
	d := marshHen(t)
	for _, state := range []string{"all-on", "essential", "master-only", "asleep", "off"} {
		for _, source := range []string{"battery", "alternator", "supply"} {
			table, err := New(d, state, []string{source}, nil)
			require.NoError(t, err)
			for _, r := range table.Rows {
				if r.Low != nil && r.High != nil {
					assert.LessOrEqual(t, *r.Low, *r.High, "%s by %s: %s of %s", state, source, r.What, r.From)
				}
				if state == "off" && source != "supply" && r.What == "bus voltage" {
					assert.Equal(t, limits.SoundParts.String(), r.Rule)
				}
			}
		}
	}
	low, most, rule := 13.92, 12.1, "a rule"
	assert.Equal(t, "; at least 13.92 V by a rule, which sound parts do not reach", tighter(limits.Row{Unit: "V", Least: 11.9, Most: most, Allowed: limits.Allowed{Low: &low, High: &most, Rule: rule}}))
	high, least := 0.1, 0.3
	assert.Equal(t, "; at most 100 mV by a rule, which sound parts pass", tighter(limits.Row{Unit: "V", Least: least, Most: 0.5, Allowed: limits.Allowed{High: &high, Low: &least, Rule: rule}}))
}
