package sources

import (
	"context"

	"loomproof/probe"
	"loomproof/probe/layout"
	"loomproof/probe/port"
	"loomproof/probe/scpi"
)

// scpiTalk is how an instrument that speaks SCPI is to be talked with.
type scpiTalk struct {
	LineEnd      LineEnd  `key:"line-end" doc:"What ends each message: LF or CR LF. Default LF."`
	Timeout      Duration `key:"timeout" doc:"How long to wait for one answer. Default 3 s."`
	SetUp        []string `key:"set-up" doc:"Commands to send once after opening, as SYST:REM."`
	Plain        bool     `key:"plain" doc:"It cannot take joined commands: each goes alone, which sees fewer transmission errors."`
	NoErrorQueue bool     `key:"no-error-queue" doc:"It has no SYST:ERR?."`
}

func (s scpiTalk) options(e *Entry) scpi.Options {
	return scpi.Options{
		Name: e.Name, Accuracy: e.accuracies(), Terminator: string(s.LineEnd), Timeout: s.Timeout.Duration,
		SetUp: s.SetUp, Plain: s.Plain, NoErrorQueue: s.NoErrorQueue,
	}
}

type scpiMeter struct {
	Entry
	scpiTalk
	Counts      int    `key:"counts" doc:"Steps in a range, where the last place that it sends says too little: 1200000 for six and a half digits."`
	UseFunction bool   `key:"use-function" doc:"Choose with FUNC and not with CONF."`
	NoFunction  bool   `key:"no-function" doc:"It has no FUNC?: then a hand on its panel is not noticed."`
	NoRange     bool   `key:"no-range" doc:"It has no RANG?: then the range in use is not known."`
	Noise       Levels `key:"noise" doc:"Standard deviation of one reading that it always has of itself, by channel, as voltage: 20 µV; from its manual, or from twenty readings with the leads shorted. Then frozen readings are told."`
}

func (m *scpiMeter) check(r *layout.Reader) {
	m.checkChannels(r,
		probe.Channel{Name: "voltage", Quantity: probe.Voltage}, probe.Channel{Name: "current", Quantity: probe.Current},
		probe.Channel{Name: "resistance", Quantity: probe.Resistance}, probe.Channel{Name: "resistance-4w", Quantity: probe.Resistance})
	if m.Counts < 0 {
		r.Errorf(m.Pos, "source %q: counts %d: write how many steps a range has, as 50000", m.Name, m.Counts)
	}
}

func (m *scpiMeter) open(ctx context.Context, conn port.Conn) (probe.Source, error) {
	meter, err := scpi.OpenMeter(ctx, conn, scpi.MeterOptions{
		Options: m.options(&m.Entry), Counts: m.Counts, UseFunction: m.UseFunction, NoFunction: m.NoFunction, NoRange: m.NoRange,
	})
	if err != nil {
		return nil, err
	}
	return guarded(meter, m.Noise), nil
}

// guarded watches a meter for frozen and stale readings.
func guarded(meter probe.Source, noise Levels) probe.Source {
	return probe.Guard(meter, probe.GuardOptions{Noise: noise.values()})
}

type scpiSupply struct {
	Entry
	scpiTalk
	MaxVolts   float64 `key:"max-volts" doc:"Its rating in volts. Default: what it answers to VOLT? MAX."`
	MaxAmperes float64 `key:"max-amperes" doc:"Its rating in amperes. Default: what it answers to CURR? MAX."`
}

func (s *scpiSupply) check(r *layout.Reader) {
	s.checkChannels(r, probe.Channel{Name: "voltage", Quantity: probe.Voltage}, probe.Channel{Name: "current", Quantity: probe.Current})
	if s.MaxVolts < 0 || s.MaxAmperes < 0 {
		r.Errorf(s.Pos, "source %q: a rating is above 0", s.Name)
	}
}

func (s *scpiSupply) open(ctx context.Context, conn port.Conn) (probe.Source, error) {
	supply, err := scpi.OpenSupply(ctx, conn, scpi.SupplyOptions{Options: s.options(&s.Entry), MaxVolts: s.MaxVolts, MaxAmperes: s.MaxAmperes})
	if err != nil {
		return nil, err
	}
	return supply, nil
}
