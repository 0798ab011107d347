package metrics_test

import (
	"strings"
	"sync/atomic"
	"testing"

	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/dashboard/metrics"
	"loomproof/probe"
	"loomproof/probe/bench"
	"loomproof/probe/sources"
)

// A meter that shows overload once, a reading, and is then pulled; and one that
// was never there.
func TestMetricsOfSources(t *testing.T) {
	cable, err := bench.NewCable()
	require.NoError(t, err)
	defer cable.Close()
	var touching atomic.Bool
	m := bench.NewMeter(nil, bench.MeterOptions{Ohms: func() (float64, bool) { return 470, touching.Load() }})
	go m.Serve(cable.Device())

	f, err := sources.Parse("sources.yaml", []byte(`loomproof-sources: 1
sources:
  bench meter: {kind: scpi meter, port: `+cable.Name()+`, due: 2027-11-25}
  other: {kind: handheld meter, port: /dev/ttyNOWHERE}
`))
	require.NoError(t, err)
	all, err := f.Sources()
	require.NoError(t, err)
	var kept []*sources.Source
	for _, s := range all {
		kept = append(kept, sources.Of(s))
		defer s.Close()
	}
	_, err = all[0].Read(t.Context(), "resistance")
	require.Error(t, err)
	touching.Store(true)
	_, err = all[0].Read(t.Context(), "resistance")
	require.NoError(t, err)
	c := metrics.Sources(kept, nil)
	require.NoError(t, testutil.CollectAndCompare(c, strings.NewReader(`
# HELP loomproof_source_ohms Latest resistance that the source shows at this channel, no older than ten seconds.
# TYPE loomproof_source_ohms gauge
loomproof_source_ohms{bus="",channel="resistance",source="bench meter"} 470
`), "loomproof_source_ohms"))
	cable.Unplug()
	_, err = all[0].Read(t.Context(), "resistance")
	require.ErrorIs(t, err, probe.ErrAway)
	_, err = all[1].Read(t.Context(), "voltage")
	require.ErrorIs(t, err, probe.ErrAway)

	assert.Zero(t, testutil.CollectAndCount(c, "loomproof_source_ohms"), "what is away shows nothing")
	problems, err := testutil.CollectAndLint(c)
	require.NoError(t, err)
	assert.Empty(t, problems)
	assert.Equal(t, 2*(10+len(probe.Reasons()))+3, testutil.CollectAndCount(c), "the same number whatever happens: the labels are closed lists")
	require.NoError(t, testutil.CollectAndCompare(c, strings.NewReader(`
# HELP loomproof_source_up 1 while the source answers.
# TYPE loomproof_source_up gauge
loomproof_source_up{source="bench meter"} 0
loomproof_source_up{source="other"} 0
# HELP loomproof_source_readings_total Readings that the source gave.
# TYPE loomproof_source_readings_total counter
loomproof_source_readings_total{source="bench meter"} 1
loomproof_source_readings_total{source="other"} 0
# HELP loomproof_source_losses_total Times that the source went away or silent.
# TYPE loomproof_source_losses_total counter
loomproof_source_losses_total{source="bench meter"} 1
loomproof_source_losses_total{source="other"} 0
# HELP loomproof_source_calibration_due_timestamp_seconds When the source is to be calibrated again, where that is known.
# TYPE loomproof_source_calibration_due_timestamp_seconds gauge
loomproof_source_calibration_due_timestamp_seconds{source="bench meter"} 1.8271008e+09
`), "loomproof_source_up", "loomproof_source_readings_total", "loomproof_source_losses_total", "loomproof_source_calibration_due_timestamp_seconds"))
	assert.EqualValues(t, 1, kept[0].Counters().Refused[probe.Overload])
}
