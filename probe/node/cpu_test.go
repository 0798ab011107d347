//go:build unix

package node_test

import (
	"bytes"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"loomproof/probe/node"
)

// cpuTime is what this process has used, whatever else the computer does.
func cpuTime(t testing.TB) time.Duration {
	var u syscall.Rusage
	require.NoError(t, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkDaemonAtFullRate is a node at the full rate of the emulated chip,
// 8333 samples a second, with a recording of every sample and a watch that looks
// 200 times a second: the part of a core that this process uses.
func BenchmarkDaemonAtFullRate(b *testing.B) {
	cfg := allPins(8333, 1)
	cfg.Channels = cfg.Channels[:1]
	board, _, n := openBoard(b, cfg)
	board.SetVolts(0, 3)
	blocks, cancel := n.Subscribe()
	defer cancel()
	look := time.NewTicker(5 * time.Millisecond)
	defer look.Stop()
	var samples int
	before, began, chip := cpuTime(b), time.Now(), board.Stat().Cycle
	for until := began.Add(time.Duration(b.N) * time.Second); time.Now().Before(until); {
		select {
		case block := <-blocks:
			samples += len(block.Sums)
		case <-look.C:
			n.Latest("pin 0")
		}
	}
	// By the chip's own time: on a busy computer it runs slowly.
	seconds := float64(board.Stat().Cycle-chip) / (1000 * ms)
	b.ReportMetric(100*(cpuTime(b)-before).Seconds()/seconds, "%core")
	b.ReportMetric(float64(samples)/seconds, "samples/s")
	b.ReportMetric(float64(n.Counters().Lost), "lost")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkDecodeByCPU is the decoder alone, by the time that it has the core.
func BenchmarkDecodeByCPU(b *testing.B) {
	sums := make([]uint16, 116)
	for i := range sums {
		sums[i] = uint16(600 + i%90)
	}
	body := node.Samples{First: 1_000_000, Clock: 77_123_456, Period: 960, Mask: 0x0F, Scans: 29}.Append(nil, sums)
	line := bytes.Repeat(node.AppendFrame(nil, node.SamplesMessage, body...), 64)
	var d node.Decoder
	b.ReportAllocs()
	before := cpuTime(b)
	for b.Loop() {
		for p := line; len(p) > 0; {
			var f node.Frame
			f, p, _ = d.Next(p)
			if _, err := node.ParseSamples(f.Body); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.ReportMetric(float64(b.N*len(line))/1e6/(cpuTime(b)-before).Seconds(), "MB/s-of-core")
}
