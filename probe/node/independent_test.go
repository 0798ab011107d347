package node_test

import (
	"encoding/binary"
	"io"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
	"loomproof/probe/node"
	"loomproof/probe/port"
)

// homeMade is a board that somebody else made from PROTOCOL.md: two channels of
// a 12-bit converter with a reference of 3.3 V and a clock of 1 MHz, and a
// cut-out. It shares no code with this package: own stuffing, own checksum bit
// by bit, own layouts.
type homeMade struct {
	line  io.ReadWriter
	power bool
	limit [2][2]uint16
	got   []byte // of the frame in work
}

// frame is COBS( type | body | CRC ) 00, from the text.
func (h *homeMade) frame(content ...byte) {
	crc := uint16(0xFFFF)
	for _, b := range content {
		crc ^= uint16(b) << 8
		for i := 0; i < 8; i++ {
			carry := crc & 0x8000
			crc <<= 1
			if carry != 0 {
				crc ^= 0x1021
			}
		}
	}
	content = append(content, byte(crc>>8), byte(crc), 0) // the last zero ends COBS
	var line, run []byte
	for _, b := range content {
		if b == 0 {
			line = append(append(line, byte(len(run)+1)), run...)
			run = nil
			continue
		}
		run = append(run, b)
	}
	_, _ = h.line.Write(append(line, 0))
}

func (h *homeMade) clock() uint32 { return uint32(time.Now().UnixMicro()) }

func numbers(parts ...any) (out []byte) {
	for _, p := range parts {
		out, _ = binary.Append(out, binary.LittleEndian, p)
	}
	return out
}

func (h *homeMade) state(tag byte) {
	on, why := byte(0), byte(1)
	if h.power {
		on = 1
	}
	h.frame(numbers(byte(0x83), on, why, byte(0xFF), uint16(0), h.clock(), h.clock(), tag)...)
}

// serve is what the document asks of a board, and no more.
func (h *homeMade) serve(stop <-chan struct{}) {
	commands := make(chan []byte)
	go func() {
		defer close(commands)
		one := make([]byte, 1)
		for {
			if _, err := h.line.Read(one); err != nil {
				return
			}
			if one[0] != 0 {
				h.got = append(h.got, one[0])
				continue
			}
			var plain []byte
			for rest := h.got; len(rest) > 0; rest = rest[rest[0]:] {
				plain = append(append(plain, rest[1:rest[0]]...), 0)
			}
			if h.got = nil; len(plain) > 3 { // type, CRC, and the zero too many; this board trusts its short cable
				commands <- plain[:len(plain)-3]
			}
		}
	}()
	scans := time.NewTicker(5 * time.Millisecond)
	defer scans.Stop()
	period, mask, number, begun := uint32(0), byte(0), uint32(0), uint32(0)
	for {
		select {
		case c, ok := <-commands:
			if !ok {
				return
			}
			code := byte(0)
			switch c[0] {
			case 0x01:
				h.frame(numbers(byte(0x81), byte(1), byte(0), byte(7), byte(0), uint32(4711), byte(2), byte(12), uint16(3300),
					uint32(1_000_000), h.clock(), uint16(20), uint16(60_000), uint16(500))...)
				continue
			case 0x02:
				mask, period, number, begun = c[1], binary.LittleEndian.Uint32(c[3:]), 0, h.clock()
			case 0x03:
				mask = 0
			case 0x04:
				h.state(c[1])
				continue
			case 0x05, 0x06:
				h.power = c[0] == 0x06
				h.state(0)
			case 0x07:
				h.limit[c[1]] = [2]uint16{binary.LittleEndian.Uint16(c[2:]), binary.LittleEndian.Uint16(c[4:])}
			default:
				code = 1
			}
			h.frame(0x84, c[0], code, 0, 0)
		case <-scans.C:
			due := (h.clock() - begun) / max(1, period)
			if mask != 0b11 || due <= number {
				continue
			}
			n := min(due-number, 20)
			block := numbers(byte(0x82), number, begun+number*period, period, mask, byte(0), byte(n))
			for range n {
				block = append(block, numbers(uint16(1000), uint16(3000))...)
			}
			number += n
			h.frame(block...)
		case <-stop:
			return
		}
	}
}

// PROTOCOL.md is enough to make a board that this program reads.
func TestABoardMadeFromTheDocumentAloneIsRead(t *testing.T) {
	far, near := port.Pipe()
	stop, ended := make(chan struct{}), make(chan struct{})
	board := &homeMade{line: far}
	go func() { defer close(ended); board.serve(stop) }()
	n, err := node.Open(t.Context(), near, node.Config{
		Name: "home-made", Rate: 1000,
		Channels: []node.ChannelConfig{{Name: "bus", Quantity: probe.Voltage, Pin: 0, Scale: 6}, {Name: "shunt", Quantity: probe.Current, Pin: 1, Scale: 10}},
	})
	require.NoError(t, err)
	r, err := n.Read(t.Context(), "bus")
	require.NoError(t, err)
	assert.InDelta(t, 1000.5*3.3/4096*6, r.Value, 1e-9)
	r, err = n.Read(t.Context(), "shunt")
	require.NoError(t, err)
	assert.InDelta(t, 3000.5*3.3/4096*10, r.Value, 1e-9)
	require.NoError(t, n.SetLimit(t.Context(), "bus", 2, 6))
	require.NoError(t, n.Restore(t.Context()))
	s, known := n.Power()
	assert.True(t, known && s.On)
	require.NoError(t, n.Cut(t.Context()))
	assert.Equal(t, "4711", n.Identity().Serial)
	assert.Equal(t, "0.7", n.Identity().Firmware)
	c := n.Counters()
	assert.Zero(t, c.Refused[probe.BadFrame]+c.Refused[probe.BadChecksum]+c.Refused[probe.ClockJump]+c.Lost)
	require.NoError(t, n.Close())
	close(stop)
	<-ended
}
