package lcdframe

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"loomproof/probe"
	"loomproof/probe/port"
)

// Line is how the meters' line is set: 2400 Bd, 8N1.
var Line = port.Mode{Baud: 2400, DataBits: 8}

// lead is how long before a call a conversion may have begun: a frame takes
// 58 ms on the wire, and a USB adapter some more.
const lead = 100 * time.Millisecond

// Options say what is known of a meter. All may be left zero.
type Options struct {
	Name        string                    // what the person calls it; empty for "handheld meter"
	Accuracy    map[string]probe.Accuracy // for each channel
	Calibrated  time.Time
	Certificate string
	Timeout     time.Duration // without a frame; 0 for 3 s
	Span        probe.Spans   // what is physically possible on a channel

	Counts  int // steps in a range: 2000, 4000, 6000; 0 for 4000
	Flicker int // steps of the last place that two frames running may differ; 0 for 5

	// NoBatteryBit says that the bit taken for "low battery" means something
	// else on this meter.
	NoBatteryBit bool
}

// channels are what such a meter can be turned to.
var channels = []probe.Channel{
	{Name: "voltage", Quantity: probe.Voltage},
	{Name: "current", Quantity: probe.Current},
	{Name: "resistance", Quantity: probe.Resistance},
	{Name: "temperature", Quantity: probe.Temperature},
	{Name: "frequency", Quantity: probe.Frequency},
}

// A Meter is a handheld meter. It implements [probe.Source].
type Meter struct {
	conn     port.Conn
	options  Options
	channels []probe.Channel
	tally    probe.Tally

	frames chan arrival
	ended  chan struct{} // closed when the pump has ended, after why is set
	why    error
	closed chan struct{}
	once   sync.Once

	last arrival // the last frame that was taken, whole or not
}

// An arrival is one frame, or a piece that was none.
type arrival struct {
	display   Display
	err       error // wraps ErrBadFrame
	begun, at time.Time
}

// Open listens to the meter on a line until a first good frame has come. The
// meter owns the line from now on; when opening fails the line is closed.
//
// Errors: probe.ErrSilent when nothing comes, a *probe.Refusal when what comes
// are no such frames, probe.ErrGone when the port has vanished.
func Open(ctx context.Context, conn port.Conn, options Options) (*Meter, error) {
	options.Name = cmp.Or(options.Name, "handheld meter")
	options.Timeout = cmp.Or(options.Timeout, 3*time.Second)
	options.Counts = cmp.Or(options.Counts, 4000)
	options.Flicker = cmp.Or(options.Flicker, 5)
	m := &Meter{
		conn: conn, options: options, channels: slices.Clone(channels),
		frames: make(chan arrival, 16), ended: make(chan struct{}), closed: make(chan struct{}),
	}
	for i := range m.channels {
		m.channels[i].Accuracy = options.Accuracy[m.channels[i].Name]
	}
	go m.pump()
	if err := m.await(ctx); err != nil {
		m.Close()
		return nil, err
	}
	return m, nil
}

// await waits for a first good frame.
func (m *Meter) await(ctx context.Context) error {
	for bad := 0; ; bad++ {
		a, err := m.next(ctx)
		if err != nil {
			return err
		}
		if m.last = a; a.err == nil {
			return nil
		}
		if bad == mostBad {
			return m.notFrames(a.err)
		}
	}
}

// pump turns bytes into frames until the port is gone.
func (m *Meter) pump() {
	defer close(m.ended)
	var d Decoder
	var begun time.Time
	chunk := make([]byte, 256)
	for {
		n, err := m.conn.Read(chunk)
		if err != nil {
			m.why = err
			return
		}
		now := time.Now()
		for p := chunk[:n]; len(p) > 0; {
			if d.place == 0 {
				begun = now
			}
			f, ok, rest, err := d.Next(p)
			p = rest
			if ok || err != nil {
				m.deliver(f, err, begun, now)
			}
		}
	}
}

// deliver counts what came and hands it on; nobody waiting for it, the oldest
// is dropped.
func (m *Meter) deliver(f Frame, err error, begun, at time.Time) {
	a := arrival{err: err, begun: begun, at: at}
	if err == nil {
		a.display, a.err = f.Display()
	}
	if a.err != nil {
		m.tally.Refuse(probe.BadFrame)
	} else {
		m.tally.Frame(1)
	}
	for {
		select {
		case m.frames <- a:
			return
		default:
		}
		select {
		case <-m.frames:
		default:
		}
	}
}

// Identity is what is known of the meter: it does not tell more than its frames.
func (m *Meter) Identity() probe.Identity {
	return probe.Identity{
		Name: m.options.Name, Model: "handheld meter that sends its display", Port: m.conn.Name(),
		Calibrated: m.options.Calibrated, Certificate: m.options.Certificate,
	}
}

// Channels lists what such a meter can be turned to, whatever it is turned to now.
func (m *Meter) Channels() []probe.Channel { return slices.Clone(m.channels) }

// Counters says what came from the meter so far. Any goroutine may ask.
func (m *Meter) Counters() probe.Counters { return m.tally.Counters() }

// Close gives the port up.
func (m *Meter) Close() error {
	m.once.Do(func() { close(m.closed) })
	err := m.conn.Close()
	<-m.ended
	return err
}

// mostBad is how many pieces that are no frame are waited out in one call.
const mostBad = 3

// next waits for a frame, or a piece that is none.
func (m *Meter) next(ctx context.Context) (arrival, error) {
	timeout := time.NewTimer(m.options.Timeout)
	defer timeout.Stop()
	select {
	case a := <-m.frames:
		return a, nil
	case <-timeout.C:
		if m.last.err != nil { // bytes came, and may still
			return arrival{}, m.notFrames(m.last.err)
		}
		m.tally.Silence()
		return arrival{}, fmt.Errorf("%s on port %s: %w: no frame in %v; switch it on, and its sending (often a long press of a key); see that the lead's head sits right",
			m.options.Name, m.conn.Name(), probe.ErrSilent, m.options.Timeout)
	case <-ctx.Done():
		return arrival{}, fmt.Errorf("%s: stopped: %w", m.options.Name, context.Cause(ctx))
	case <-m.ended:
		return arrival{}, fmt.Errorf("%s: %w", m.options.Name, m.why)
	}
}

// Read waits for the first fresh frame and compares it with the one before it.
// If they agree it judges what the frame shows; if not, it refuses.
func (m *Meter) Read(ctx context.Context, channel string) (probe.Reading, error) {
	c, err := m.channel(channel)
	if err != nil {
		return probe.Reading{}, err
	}
	asked := time.Now()
	for bad := 0; ; {
		a, err := m.next(ctx)
		if err != nil {
			return probe.Reading{}, err
		}
		before := m.last
		m.last = a
		switch {
		case a.err != nil:
			if bad++; a.at.After(asked) && bad >= mostBad {
				return probe.Reading{}, m.notFrames(a.err)
			}
		case before.err != nil || before.begun.Add(lead).Before(asked):
		case m.agree(before.display, a.display):
			return m.judge(c, a)
		default:
			return probe.Reading{}, m.unsteady(c, before.display, a.display)
		}
	}
}

// unsteady refuses two frames running that do not agree. What both stay below is
// known all the same, unless one is not of the channel.
func (m *Meter) unsteady(c probe.Channel, before, now Display) error {
	m.tally.Refuse(probe.Unsteady)
	r := &probe.Refusal{
		Source: m.options.Name, Reason: probe.Unsteady, Detail: fmt.Sprintf("%q came, then %q", before, now),
		Do: "hold the probes still; if its display is at rest, look at the lead's head",
	}
	one, _ := m.fault(c, before)
	other, _ := m.fault(c, now)
	if one == "" && other == "" {
		r.Below = max(math.Abs(before.value()), math.Abs(now.value())) + now.step()
	}
	return r
}

func (m *Meter) channel(name string) (probe.Channel, error) {
	names := ""
	for _, c := range m.channels {
		if c.Name == name {
			return c, nil
		}
		names += " " + c.Name
	}
	return probe.Channel{}, fmt.Errorf("%s: no channel %q; it has%s", m.options.Name, name, names)
}

// agree tells whether two frames show the same, but for flicker.
func (m *Meter) agree(a, b Display) bool {
	apart := a.Steps - b.Steps
	a.Steps, b.Steps = 0, 0
	return a == b && apart <= m.options.Flicker && -apart <= m.options.Flicker
}

func (m *Meter) notFrames(err error) error {
	return m.refused(probe.BadFrame, fmt.Sprintf("what comes is no frame of a display (%s)", withoutKind(err)),
		"check that the port is set to "+Line.String()+", that the lead's head sits right, and that the meter is of this kind")
}

// withoutKind takes off an error's text what the refusal says already.
func withoutKind(err error) string {
	text := err.Error()
	kind := ErrBadFrame.Error() + ": "
	if errors.Is(err, ErrBadFrame) && len(text) > len(kind) {
		return text[len(kind):]
	}
	return text
}

// judge makes a reading of a frame, or says why it is none.
func (m *Meter) judge(c probe.Channel, a arrival) (probe.Reading, error) {
	d := a.display
	if reason, do := m.fault(c, d); reason != "" {
		return probe.Reading{}, m.refuse(reason, fmt.Sprintf("its display shows %q", d), do)
	}
	if r := m.options.Span.Check(m.options.Name, c, d.value()); r != nil {
		return probe.Reading{}, m.refuse(r.Reason, r.Detail, r.Do)
	}
	return probe.Reading{
		Value: d.value(), Quantity: c.Quantity, Source: m.options.Name, Channel: c.Name, At: a.at,
		Accuracy: c.Accuracy, Digit: d.step(), FullScale: float64(m.options.Counts) * d.step(),
	}, nil
}

// fault says why what shows is not a reading of the channel, and what to do.
func (m *Meter) fault(c probe.Channel, d Display) (probe.Reason, string) {
	direct := c.Quantity == probe.Voltage || c.Quantity == probe.Current
	switch f := d.Flags; {
	case f&LowBattery != 0 && !m.options.NoBatteryBit:
		return probe.LowBattery, "put a new battery in: with a low one it reads wrong"
	case f&Hold != 0:
		return probe.Hold, "press HOLD to let the display go"
	case f&Relative != 0:
		return probe.Relative, "press REL to leave relative mode"
	case f&Diode != 0:
		return probe.WrongFunction, "it is on diode test: turn it to " + c.Name
	case f&Beep != 0:
		return probe.WrongFunction, "it is on continuity: turn it to " + c.Name
	case d.Quantity() != c.Quantity:
		return probe.WrongFunction, "turn it to " + c.Name
	case direct && f&AC != 0:
		return probe.WrongFunction, "turn it from AC to DC"
	case direct && d.Unmarked:
		return probe.WrongFunction, "its frames leave out whether that is AC or DC: turn it to DC; if it stays so, this meter cannot be used for " + c.Name
	case direct && f&DC == 0:
		return probe.WrongFunction, "it shows neither AC nor DC: turn it to DC " + c.Name
	case d.Overload:
		return probe.Overload, "the value is past the range or the leads are open: choose a higher range, or touch the point again"
	}
	return "", ""
}

// refuse counts and makes a refusal.
func (m *Meter) refuse(reason probe.Reason, detail, do string) error {
	m.tally.Refuse(reason)
	return m.refused(reason, detail, do)
}

// refused makes a refusal of what the pump has counted.
func (m *Meter) refused(reason probe.Reason, detail, do string) error {
	return &probe.Refusal{Source: m.options.Name, Reason: reason, Detail: detail, Do: do}
}
