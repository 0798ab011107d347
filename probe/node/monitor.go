package node

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"time"

	"loomproof/probe"
)

// The pins of a [ChannelConfig] that stand for the board's shunt monitor.
const (
	MonitorBus   = 8 // volts at its bus input; Scale 1
	MonitorShunt = 9 // volts over its shunt; Scale 1/ohms for amperes
)

// DefaultMonitorInterval is used where a Config says nothing.
const DefaultMonitorInterval = 20 * time.Millisecond

// What the monitor's data sheet allows at most (INA226, Texas Instruments
// SBOS547, electrical characteristics; from memory): 0.1 % of gain, 7.5 mV and
// 10 µV of offset, which are 6 and 4 steps. A shunt of 1 % is common practice.
var (
	monitorBusAccuracy     = probe.Accuracy{OfReading: 0.001, Digits: 6}
	monitorShuntAccuracy   = probe.Accuracy{OfReading: 0.001, Digits: 4}
	monitorCurrentAccuracy = probe.Accuracy{OfReading: 0.011, Digits: 4}
)

// A monitor is where the shunt monitor's readings stand.
type monitor struct {
	begun bool
	lost  bool
	next  uint32 // number of the next reading
}

func (ch *ChannelConfig) onMonitor() bool { return ch.Pin == MonitorBus || ch.Pin == MonitorShunt }

// adoptMonitor makes channels of a shunt monitor that the config does not name,
// and refuses a config that names one where there is none.
func (n *Node) adoptMonitor() error {
	named := false
	for _, ch := range n.config.Channels {
		switch {
		case ch.onMonitor() && !n.hello.HasMonitor:
			return n.config.mistake("channel %q: the board found no shunt monitor when it started; check the monitor's supply and its two lines, then restart the board", ch.Name)
		case n.hello.HasMonitor && (ch.Pin == 4 || ch.Pin == 5):
			return n.config.mistake("channel %q: pins 4 and 5 are the lines to the board's shunt monitor; use another pin", ch.Name)
		}
		named = named || ch.onMonitor()
	}
	if named || !n.hello.HasMonitor {
		return nil
	}
	shunt := ChannelConfig{Name: "monitor shunt", Quantity: probe.Voltage, Pin: MonitorShunt, Scale: 1, Accuracy: monitorShuntAccuracy}
	if n.config.MonitorOhms > 0 {
		shunt = ChannelConfig{Name: "monitor current", Quantity: probe.Current, Pin: MonitorShunt, Scale: 1 / n.config.MonitorOhms, Accuracy: monitorCurrentAccuracy}
	}
	for _, ch := range []ChannelConfig{{Name: "monitor voltage", Quantity: probe.Voltage, Pin: MonitorBus, Scale: 1, Accuracy: monitorBusAccuracy}, shunt} {
		ch.nominalScale = ch.Scale
		n.config.Channels = append(n.config.Channels, ch)
	}
	return nil
}

func (n *Node) monitored() bool {
	for _, ch := range n.config.Channels {
		if ch.onMonitor() {
			return true
		}
	}
	return false
}

// startMonitor asks for readings. A board that restarted may have found none:
// then its channels are lost, and the others go on.
func (n *Node) startMonitor(ctx context.Context) error {
	ticks := math.Round(n.config.MonitorInterval.Seconds() * float64(n.hello.TickHz))
	err := n.order(ctx, MonitorCommand, binary.LittleEndian.AppendUint32(nil, uint32(ticks))...)
	var refused *probe.Refusal
	if !errors.As(err, &refused) {
		return err
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	n.loseMonitor()
	return nil
}

func (n *Node) loseMonitor() {
	n.monitor = monitor{lost: true}
	delete(n.latest, MonitorBus)
	delete(n.latest, MonitorShunt)
	n.spoilWindows(true, monitorGone)
}

func (n *Node) takeMonitor(body []byte, now time.Time) error {
	m, err := ParseMonitor(body)
	if err != nil {
		return err
	}
	if m.Lost {
		n.tally.Frame(0)
		n.loseMonitor()
		return nil
	}
	if missing := m.Number - n.monitor.next; n.monitor.begun && missing > 0 {
		n.tally.Lose(uint64(missing))
		n.tally.Refuse(probe.LostFrames)
		n.spoilWindows(true, fmt.Sprintf("%d readings of the shunt monitor are missing", missing))
	}
	n.monitor = monitor{begun: true, next: m.Number + 1}
	n.tally.Frame(1)
	for pin, code := range map[int]int16{MonitorBus: m.Bus, MonitorShunt: m.Shunt} {
		var t tally
		t.addSigned(code)
		n.latest[pin] = latest{tally: t, at: now}
		for w := range n.windows {
			if w.pin != pin {
				continue
			}
			w.came = true
			if w.over || !w.open || int32(m.Clock-w.from) < 0 {
				continue
			}
			w.tally.addSigned(code)
			w.fill(now)
		}
	}
	return nil
}

func (n *Node) monitorLost() error {
	n.tally.Refuse(probe.InstrumentErr)
	return n.refusal(probe.InstrumentErr, monitorGone, "look at its supply and its two lines; the board looks for it each second")
}

const monitorGone = "the shunt monitor does not answer the board"
