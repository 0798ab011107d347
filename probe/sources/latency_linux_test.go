package sources

import (
	"context"
	"io"
	"path/filepath"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"loomproof/probe/bench"
)

// A stamped line remembers when the instrument last put bytes on it.
type stamped struct {
	io.ReadWriteCloser
	at atomic.Int64
}

func (s *stamped) Write(p []byte) (int, error) {
	s.at.Store(time.Now().UnixNano())
	return s.ReadWriteCloser.Write(p)
}

// From the last byte that the instrument writes to the reading in hand, over a
// pseudo-terminal, through the serial library, the driver and the source. The aim
// is a p99 below 2 ms. A node streams on: there it is from the last block before
// the reading.
func BenchmarkLastByteToReading(b *testing.B) {
	volts := func() (float64, bool) { return 12.6, true }
	maps, err := filepath.Abs("../modbus/testdata/panel-meter.yaml")
	require.NoError(b, err)
	for name, kind := range map[string]struct {
		line, channel string
		serve         func(io.ReadWriteCloser)
	}{
		"scpi-meter": {"{kind: scpi meter, port: usb 16C0:05DC}", "voltage", func(d io.ReadWriteCloser) { bench.NewMeter(volts, bench.MeterOptions{}).Serve(d) }},
		"handheld":   {"{kind: handheld meter, port: usb 16C0:05DC}", "voltage", func(d io.ReadWriteCloser) { bench.NewHandheld(volts, bench.HandheldOptions{}).Serve(d) }},
		"node": {"{kind: node, port: usb 16C0:05DC, window: 5 ms, channels: {bus: {scale: 4, accuracy: 1 %}}}", "bus", func(d io.ReadWriteCloser) {
			bench.NewNode(func(int) float64 { return 3 }, bench.NodeOptions{}).Serve(d)
		}},
		"modbus": {"{kind: modbus meter, port: usb 16C0:05DC, mode: 115200 8N1, address: 7, map: " + maps + "}", "bus voltage", func(d io.ReadWriteCloser) {
			m := bench.NewModbus(7, 1)
			m.Words(4, 16, 0xEC30, 0x0001) // 126000 tenths of a millivolt, low word first
			m.Serve(d)
		}},
	} {
		b.Run(name, func(b *testing.B) {
			desk := newDesk(b)
			var line *stamped
			plugged := make(chan struct{})
			desk.plug("ttyUSB0", func(c *bench.Cable) {
				line = &stamped{ReadWriteCloser: c.Device()}
				close(plugged)
				kind.serve(line)
			})
			<-plugged
			s := desk.source(kind.line)
			_, err := s.Read(context.Background(), kind.channel)
			require.NoError(b, err)
			var took []time.Duration
			b.ReportAllocs()
			for b.Loop() {
				if _, err := s.Read(context.Background(), kind.channel); err != nil {
					b.Fatal(err)
				}
				took = append(took, time.Duration(time.Now().UnixNano()-line.at.Load()))
			}
			slices.Sort(took)
			b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "ms-p50")
			b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1000, "ms-p99")
		})
	}
}
