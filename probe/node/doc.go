// Package node reads our own board: a microcontroller that samples up to
// eight inputs, streams them with their times, and holds an output that can
// cut power.
//
// Open a port with package port at [Line], then a node on it:
//
//	conn, err := port.Open("/dev/ttyUSB0", node.Line)
//	n, err := node.Open(ctx, conn, node.Config{
//		Name: "node",
//		Channels: []node.ChannelConfig{
//			{Name: "main bus", Quantity: probe.Voltage, Pin: 0, Scale: 4},
//		},
//	})
//	r, err := n.Read(ctx, "main bus")
//
// A [Node] is a [probe.Source] and a [probe.Cutter]. Beside single readings it
// gives [Node.Latest] for a fast watch of limits and [Node.Subscribe] for a
// recording of every sample.
//
// What is promised: a reading is the mean of scans that were begun after the
// call, of which none was lost and none was at the end of the converter's
// range; no sample comes out of a frame whose checksum is wrong; times are the
// board's own; and power falls within half a second of the host's last word.
//
// PROTOCOL.md has the bytes, for those who build a board of their own;
// firmware/ has ours in C. Package board runs it on an emulated chip, for the
// tests; package bench has a board in Go, for the demo.
package node
