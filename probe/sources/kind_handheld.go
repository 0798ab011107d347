package sources

import (
	"context"

	"loomproof/probe"
	"loomproof/probe/layout"
	"loomproof/probe/lcdframe"
	"loomproof/probe/port"
)

type handheld struct {
	Entry
	Counts       int    `key:"counts" doc:"Steps in a range: 2000, 4000 or 6000, as its manual says. Default 4000."`
	Flicker      int    `key:"flicker" doc:"Steps of the last place that two frames running may differ and be believed. Default 2."`
	NoBatteryBit bool   `key:"no-battery-bit" doc:"The bit that stands for a low battery means something else on this meter."`
	Noise        Levels `key:"noise" doc:"Standard deviation of one reading that it always has of itself, by channel, as voltage: 2 mV. Then frozen readings are told."`
}

func (h *handheld) check(r *layout.Reader) {
	h.checkChannels(r,
		probe.Channel{Name: "voltage", Quantity: probe.Voltage}, probe.Channel{Name: "current", Quantity: probe.Current},
		probe.Channel{Name: "resistance", Quantity: probe.Resistance}, probe.Channel{Name: "temperature", Quantity: probe.Temperature},
		probe.Channel{Name: "frequency", Quantity: probe.Frequency})
	if h.Counts < 0 || h.Flicker < 0 {
		r.Errorf(h.Pos, "source %q: counts and flicker are above 0", h.Name)
	}
}

func (h *handheld) open(ctx context.Context, conn port.Conn) (probe.Source, error) {
	m, err := lcdframe.Open(ctx, conn, lcdframe.Options{
		Name: h.Name, Accuracy: h.accuracies(), Counts: h.Counts, Flicker: h.Flicker, NoBatteryBit: h.NoBatteryBit,
	})
	if err != nil {
		return nil, err
	}
	return guarded(m, h.Noise), nil
}
