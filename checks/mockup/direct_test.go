package mockup

import (
	"context"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/probe"
	"loomproof/scripts"
)

// direct is a meter and a supply without a line in between: for runs by the
// hundred. The same procedure over real lines is tested in dashboard/demo.
type direct struct {
	m     *Mockup
	name  string
	r     *rand.Rand
	gain  float64
	noise float64
}

func (d *direct) Identity() probe.Identity { return probe.Identity{Name: d.name} }
func (d *direct) Close() error             { return nil }

var (
	meterAccuracy  = probe.Accuracy{OfReading: 45e-6, OfRange: 6e-6}
	supplyAccuracy = probe.Accuracy{OfReading: 0.001, Digits: 5}
)

func (d *direct) Channels() []probe.Channel {
	return []probe.Channel{{Name: "voltage", Quantity: probe.Voltage, Accuracy: meterAccuracy}}
}

func (d *direct) Read(ctx context.Context, channel string) (probe.Reading, error) {
	if !rest(ctx, time.Millisecond) {
		return probe.Reading{}, ctx.Err()
	}
	r := probe.Reading{Source: d.name, Channel: channel, At: time.Now(), Quantity: probe.Quantity(channel)}
	if d.name == "meter" {
		v, touching := d.m.MeterVolts()
		if !touching {
			v = 0.003 * d.r.NormFloat64()
		}
		r.Value = v*(1+d.gain) + d.noise*d.r.NormFloat64()
		r.Accuracy, r.FullScale, r.Digit = meterAccuracy, 100, 1e-5
		return r, nil
	}
	volts, amperes := d.m.Output()
	r.Accuracy, r.Digit = supplyAccuracy, 0.001
	r.Value = volts
	if channel == "current" {
		r.Value = amperes
	}
	r.Value = r.Value*(1+d.gain) + d.noise*d.r.NormFloat64()
	return r, nil
}

type directSupply struct {
	direct
	volts, limit float64
	on           bool
}

func (s *directSupply) Set(_ context.Context, volts, amperes float64) error {
	s.volts, s.limit = volts, amperes
	s.m.Drive(s.volts, s.limit, s.on)
	return nil
}

func (s *directSupply) Output(_ context.Context, on bool) error {
	s.on = on
	s.m.Drive(s.volts, s.limit, on)
	return nil
}

func (s *directSupply) Cut(ctx context.Context) error { return s.Output(ctx, false) }

func marshHen(t testing.TB) (*design.Design, []byte) {
	t.Helper()
	text, ok := scripts.Design("marsh-hen")
	require.True(t, ok)
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	return d, text
}

// perform runs first-power-on on a mock-up, in emulated time, and returns its
// sheet.
func perform(t *testing.T, faults []airframe.Fault, seed uint64) (s *procedure.Sheet) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) { s = performNow(t, faults, seed) })
	return s
}

func performNow(t *testing.T, faults []airframe.Fault, seed uint64) *procedure.Sheet {
	t.Helper()
	d, text := marshHen(t)
	m, err := New(d, faults, seed)
	require.NoError(t, err)
	r := rand.New(rand.NewPCG(seed, 7))
	sign := func() float64 { return 2*r.Float64() - 1 }
	bench := &procedure.Bench{
		Meter:    &direct{m: m, name: "meter", r: r, gain: 40e-6 * sign(), noise: 50e-6},
		Supply:   &directSupply{direct: direct{m: m, name: "supply", r: rand.New(rand.NewPCG(seed, 8)), gain: 0.0009 * sign(), noise: 0.0005}},
		Patience: 100 * time.Millisecond,
	}
	book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
	require.NoError(t, err)
	defer book.Close()
	script, _ := scripts.Procedure("first-power-on")
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	sheet, err := book.Begin(ctx, logbook.Opening{Procedure: "first-power-on", Script: string(script), Aircraft: d.Aircraft.Name, Design: string(text), File: d.File, Revision: d.Revision})
	require.NoError(t, err)
	desk := procedure.NewDesk()
	hands := make(chan struct{})
	go func() { defer close(hands); m.Hands(ctx, desk, Pace{Move: 3 * time.Millisecond, Answer: true}) }()
	p := procedure.Performance{Design: d, Sheet: sheet, Name: "first-power-on", Script: script, Bench: bench, Desk: desk}
	err = p.Perform(ctx)
	cancel()
	<-hands
	require.NoError(t, err)
	s, err := procedure.Fold(sheet.Records())
	require.NoError(t, err)
	return s
}
