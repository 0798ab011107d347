package report

import (
	"bytes"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/procedure"
	"loomproof/probe"
)

// A calibration that was due when the worksheet was begun is told in every form.
func TestAnInstrumentWhoseCalibrationWasDue(t *testing.T) {
	day := func(text string) time.Time {
		d, err := time.Parse(time.DateOnly, text)
		require.NoError(t, err)
		return d
	}
	s := &procedure.Sheet{Begun: day("2026-11-25"), Instruments: []procedure.Instrument{{
		Identity: probe.Identity{Name: "bench meter", Maker: "Reedbed", Calibrated: day("2025-11-01"), Due: day("2026-11-01"), Certificate: "voltage against R8"},
		Channels: []probe.Channel{
			{Name: "voltage", Quantity: probe.Voltage, Accuracy: probe.Accuracy{OfReading: 0.001}, Ranges: []probe.RangeAccuracy{{UpTo: 20, Accuracy: probe.Accuracy{OfReading: 0.0005}}}},
			{Name: "current", Quantity: probe.Current},
		},
	}}}
	got := instruments(s)
	require.Len(t, got, 1)
	assert.Equal(t, "2026-11-01", got[0].Due)
	assert.Equal(t, []string{"voltage to 20 V ±(0.05 % of reading), ±(0.1 % of reading)", "current accuracy not stated"}, got[0].Accuracy)
	assert.Contains(t, got[0].Warning, "its calibration was due on 2026-11-01")

	r := &Report{Instruments: got, sheet: s}
	var text bytes.Buffer
	require.NoError(t, r.Text(&text))
	assert.Contains(t, text.String(), "WARNING: bench meter: its calibration was due on 2026-11-01")
}
