package sources

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"path/filepath"

	"loomproof/probe"
	"loomproof/probe/layout"
	"loomproof/probe/modbus"
	"loomproof/probe/port"
)

type modbusMeter struct {
	Entry
	Map     string   `key:"map,required" doc:"The map file of this kind of meter, beside this one: which register holds what."`
	Address int      `key:"address" doc:"The meter's address on the line, 1 to 247. Default: the map's."`
	Timeout Duration `key:"timeout" doc:"How long to wait for one answer. Default 1 s."`
	Noise   Levels   `key:"noise" doc:"Standard deviation of one reading that it always has of itself, by channel. Then frozen readings are told."`

	registers *modbus.Map
}

func (m *modbusMeter) check(r *layout.Reader) {
	if m.Address < 0 || m.Address > 247 {
		r.Errorf(m.Pos, "source %q: address %d is outside 1 to 247", m.Name, m.Address)
	}
	path := m.Map
	if !filepath.IsAbs(path) {
		path = filepath.Join(m.folder, path)
	}
	text, err := readSmall(path)
	if err != nil {
		r.Errorf(m.Pos, "source %q: map file: %v; check its name and folder", m.Name, err)
		return
	}
	if m.registers, err = modbus.ReadMap(filepath.Base(path), text); err != nil {
		r.Errorf(m.Pos, "source %q: map file:\n%v", m.Name, err)
		return
	}
	var channels []probe.Channel
	for _, c := range m.registers.Channels {
		channels = append(channels, probe.Channel{Name: c.Name, Quantity: c.Quantity})
	}
	m.checkChannels(r, channels...)
}

// readSmall reads a file that a person wrote: nothing that never ends.
func readSmall(path string) ([]byte, error) {
	info, err := os.Stat(path)
	switch {
	case err != nil:
		return nil, err
	case !info.Mode().IsRegular() || info.Size() > 1<<20:
		return nil, fmt.Errorf("%s is no map file", path)
	}
	return os.ReadFile(path)
}

func (m *modbusMeter) open(ctx context.Context, conn port.Conn) (probe.Source, error) {
	if m.registers == nil {
		return nil, fmt.Errorf("%s: its map file was not read", m.Name)
	}
	mode := m.Entry.Mode
	meter, err := modbus.Open(ctx, conn, modbus.Options{
		Name: m.Name, Accuracy: m.accuracies(), Timeout: m.Timeout.Duration, Map: m.registers, Address: byte(m.Address),
		Mode: *cmp.Or(mode, &modbusMode),
	})
	if err != nil {
		return nil, err
	}
	return guarded(meter, m.Noise), nil
}

// modbusMode is how the line is usually set: even parity is the standard's default
// (Modbus over serial line V1.02, 2.5.1).
var modbusMode = port.Mode{Baud: 19200, Parity: port.EvenParity}

// states tells whether the map states the accuracy of a channel.
func (m *modbusMeter) states(channel string) bool {
	for _, c := range m.registers.Channels {
		if c.Name == channel {
			return c.Accuracy != (probe.Accuracy{})
		}
	}
	return false
}

func (m *modbusMeter) listed() []probe.Channel {
	var out []probe.Channel
	if m.registers == nil {
		return nil // its map file could not be read
	}
	for _, c := range m.registers.Channels {
		out = append(out, probe.Channel{Name: c.Name, Quantity: c.Quantity})
	}
	return out
}

func (m *modbusMeter) stated(channel string, _ float64) (probe.Accuracy, bool) {
	if m.registers == nil {
		return probe.Accuracy{}, false
	}
	for _, c := range m.registers.Channels {
		if c.Name == channel {
			return c.Accuracy, c.Accuracy != (probe.Accuracy{})
		}
	}
	return probe.Accuracy{}, false
}
