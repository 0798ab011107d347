package modbus

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"loomproof/probe"
	"loomproof/probe/port"
)

// Options say how a meter is to be talked with. All but Map may be left zero.
type Options struct {
	Name        string                    // what the person calls it; empty for the map's model
	Accuracy    map[string]probe.Accuracy // for each channel, in place of the map's
	Calibrated  time.Time
	Certificate string
	Timeout     time.Duration // for one answer; 0 for 1 s
	Span        probe.Spans   // what is physically possible on a channel

	Map     *Map
	Address byte      // 1 to 247; 0 for the map's
	Mode    port.Mode // how the line is set: the silence before a request follows from it
	Retries int       // after silence or damage; 0 for 2, below 0 for none
}

// A Meter is a meter on a Modbus line. It implements [probe.Source].
type Meter struct {
	conn     port.Conn
	options  Options
	channels []probe.Channel // belong to options.Map.Channels, one for one
	silence  time.Duration   // before a request
	tally    probe.Tally

	pieces chan piece
	ended  chan struct{} // closed when the pump has ended, after why is set
	why    error
	closed chan struct{}
	once   sync.Once

	steps bool    // it answers a marker
	late  request // an answer to it may still be on its way; its count is zero when none is
	came  []byte  // since the last request
}

// A piece is some bytes as they came.
type piece struct {
	bytes []byte
	at    time.Time
}

// Open talks to the meter on a line: it reads the map's first channel, to see
// that the meter answers and that the map suits it. The meter owns the line from
// now on; when opening fails the line is closed.
//
// Errors: probe.ErrSilent when nothing answers, a *probe.Refusal when what
// answers is no such meter or does not know the register, probe.ErrGone when the
// port has vanished.
func Open(ctx context.Context, conn port.Conn, options Options) (*Meter, error) {
	if options.Map == nil || len(options.Map.Channels) == 0 {
		conn.Close()
		return nil, fmt.Errorf("%s: no map; a Modbus meter needs one, which says what stands in its registers", cmp.Or(options.Name, "meter"))
	}
	options.Name = cmp.Or(options.Name, options.Map.Model)
	options.Address = cmp.Or(options.Address, options.Map.Address)
	options.Timeout = cmp.Or(options.Timeout, time.Second)
	options.Retries = max(0, cmp.Or(options.Retries, 2))
	m := &Meter{
		conn: conn, options: options, silence: silenceBefore(options.Mode),
		pieces: make(chan piece, 64), ended: make(chan struct{}), closed: make(chan struct{}),
	}
	for _, c := range options.Map.Channels {
		a, given := options.Accuracy[c.Name]
		if !given {
			a = c.Accuracy
		}
		m.channels = append(m.channels, probe.Channel{Name: c.Name, Quantity: c.Quantity, Accuracy: a})
	}
	go m.pump()
	if options.Address < 1 || options.Address > 247 {
		m.Close()
		return nil, fmt.Errorf("%s: address %d is outside 1 to 247", options.Name, options.Address)
	}
	if err := m.begin(ctx); err != nil {
		m.Close()
		return nil, err
	}
	return m, nil
}

func (m *Meter) begin(ctx context.Context) error {
	r := m.options.Map.Channels[0].request(m.options.Address)
	if _, _, err := m.exchange(ctx, r); err != nil {
		return err
	}
	a, _, err := m.ask(ctx, r.marker())
	m.steps = a.outcome >= excepted
	return err
}

// silenceBefore is 3.5 characters of 11 bits, or 1.75 ms above 19200 Bd (Modbus
// over serial line, V1.02, 2.5.1.1).
func silenceBefore(mode port.Mode) time.Duration {
	baud := cmp.Or(mode.Baud, 9600)
	if baud > 19200 {
		return 1750 * time.Microsecond
	}
	return time.Duration(3.5 * 11 / float64(baud) * float64(time.Second))
}

// gapInside is how long a frame may pause, for adapters that deliver in pieces.
func (m *Meter) gapInside() time.Duration { return m.silence + 50*time.Millisecond }

func (c MapChannel) request(address byte) request {
	return request{address: address, function: c.Function, register: c.Register, count: c.Kind.registers()}
}

// pump hands on bytes until the port is gone.
func (m *Meter) pump() {
	defer close(m.ended)
	chunk := make([]byte, 512)
	for {
		n, err := m.conn.Read(chunk)
		if err != nil {
			m.why = err
			return
		}
		select {
		case m.pieces <- piece{slices.Clone(chunk[:n]), time.Now()}:
		case <-m.closed:
		}
	}
}

// Identity is what the map says.
func (m *Meter) Identity() probe.Identity {
	o := m.options
	return probe.Identity{
		Name: o.Name, Maker: o.Map.Maker, Model: o.Map.Model, Port: fmt.Sprintf("%s, address %d", m.conn.Name(), o.Address),
		Calibrated: o.Calibrated, Certificate: o.Certificate,
	}
}

// Channels lists what the map names.
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

// Read asks for the channel's registers.
func (m *Meter) Read(ctx context.Context, channel string) (probe.Reading, error) {
	i := slices.IndexFunc(m.channels, func(c probe.Channel) bool { return c.Name == channel })
	if i < 0 {
		names := make([]string, len(m.channels))
		for i, c := range m.channels {
			names[i] = c.Name
		}
		return probe.Reading{}, fmt.Errorf("%s: no channel %q; it has %q", m.options.Name, channel, names)
	}
	data, at, err := m.exchange(ctx, m.options.Map.Channels[i].request(m.options.Address))
	if err != nil {
		return probe.Reading{}, err
	}
	return m.judge(m.channels[i], m.options.Map.Channels[i], data, at)
}

// judge makes a reading of the registers, or says why it is none.
func (m *Meter) judge(c probe.Channel, in MapChannel, data []byte, at time.Time) (probe.Reading, error) {
	bits := in.Order.bits(data)
	number := in.Kind.number(bits)
	const past = 9.9e37 // stands for infinity where a meter borrows SCPI's values
	switch {
	case math.IsNaN(number):
		return probe.Reading{}, m.refuse(probe.NotANumber, "the register holds "+in.Kind.raw(bits), "see what its display says, and check the map's kind and order")
	case in.Overload[bits] || in.Kind == Float32 && math.Abs(number) >= past:
		return probe.Reading{}, m.refuse(probe.Overload, "the register holds "+in.Kind.raw(bits), "the value is past the range or the leads are open: touch the point again, or use a meter with a higher range")
	}
	value := number*in.Scale + in.Offset
	if r := m.options.Span.Check(m.options.Name, c, value); r != nil {
		return probe.Reading{}, m.refuse(r.Reason, r.Detail+", from "+in.Kind.raw(bits), r.Do+"; check the map's kind, order and scale")
	}
	return probe.Reading{
		Value: value, Quantity: c.Quantity, Source: m.options.Name, Channel: c.Name, At: at,
		Accuracy: c.Accuracy, FullScale: in.Range, Digit: in.Step,
	}, nil
}

// exchange asks until an answer is good, or the tries are used up.
func (m *Meter) exchange(ctx context.Context, r request) (data []byte, at time.Time, err error) {
	if err := m.stepIn(ctx); err != nil {
		return nil, time.Time{}, err
	}
	m.late = r
	unanswered := false
	for try := 0; ; try++ {
		a, at, err := m.ask(ctx, r)
		if err != nil {
			return nil, time.Time{}, err
		}
		unanswered = unanswered || a.outcome < damaged
		if !unanswered {
			m.late = request{}
		}
		if a.outcome == answered {
			m.tally.Frame(1)
			return a.data, at, nil
		}
		if try >= m.options.Retries || a.outcome == excepted && !a.code.passing() {
			return nil, time.Time{}, m.failed(a)
		}
		if a.outcome == damaged || a.outcome == noise { // the others are counted when given up
			m.tally.Refuse(reasonFor[a.outcome])
		}
	}
}

// stepIn waits until no answer to an earlier request can come any more: until
// the marker is answered, which goes behind them.
func (m *Meter) stepIn(ctx context.Context) error {
	if m.late.count == 0 {
		return nil
	}
	a, _, err := m.ask(ctx, m.late.marker())
	switch {
	case err != nil:
		return err
	case a.outcome < excepted && m.steps:
		return m.failed(a)
	case a.outcome < excepted:
		if err := m.listen(ctx, m.options.Timeout); err != nil {
			return err
		}
	}
	m.late = request{}
	return nil
}

var reasonFor = map[outcome]probe.Reason{
	noise: probe.BadFrame, foreign: probe.BadFrame, damaged: probe.BadChecksum, excepted: probe.InstrumentErr,
}

// failed says what came in place of an answer.
func (m *Meter) failed(a answer) error {
	switch a.outcome {
	case excepted:
		do := "see its manual"
		if a.code <= 3 {
			do = "check the map's function and register against its manual; registers are counted from 0"
		}
		return m.refuse(probe.InstrumentErr, "it answered "+a.code.String(), do)
	case damaged:
		return m.refuse(probe.BadChecksum, "its answer has a wrong CRC", "check the lead, its screen and its end resistor, and that no other meter has this address")
	case foreign:
		return m.refuse(probe.BadFrame, fmt.Sprintf("address %d answered, not %d or to something else", a.from, m.options.Address),
			"set the address that the meter's menu shows; two meters may not have the same one, and no other program may ask")
	case noise:
		return m.refuse(probe.BadFrame, "what came is no answer", "set the speed and parity that its menu shows; swap A and B of the line")
	}
	m.tally.Silence()
	return fmt.Errorf("%s on port %s: %w from address %d in %v; check that it is on, its address, speed and parity, and that A and B of the line are not swapped",
		m.options.Name, m.conn.Name(), probe.ErrSilent, m.options.Address, m.options.Timeout)
}

// ask sends the request once, when the line has been silent, and collects what
// comes until the answer is there, the frame breaks off or the time is over.
func (m *Meter) ask(ctx context.Context, r request) (answer, time.Time, error) {
	if err := m.listen(ctx, m.silence); err != nil {
		return answer{}, time.Time{}, err
	}
	if _, err := m.conn.Write(r.Append(nil)); err != nil {
		return answer{}, time.Time{}, fmt.Errorf("%s: %w", m.options.Name, err)
	}
	m.came = m.came[:0]
	deadline := time.NewTimer(m.options.Timeout)
	defer deadline.Stop()
	var broken <-chan time.Time // when the frame that has begun breaks off
	var a answer
	for {
		select {
		case p := <-m.pieces:
			m.came = append(m.came, p.bytes...)
			if a = r.find(m.came); a.outcome >= excepted {
				return a, p.at, nil
			}
			if a.outcome > nothing && a.outcome != foreign {
				broken = time.After(m.gapInside())
			}
			if len(m.came) > 1024 {
				return a, p.at, nil // a line that is never silent
			}
		case <-broken:
			return a, time.Time{}, nil
		case <-deadline.C:
			return a, time.Time{}, nil
		case <-ctx.Done():
			return answer{}, time.Time{}, m.stopped(ctx)
		case <-m.ended:
			return answer{}, time.Time{}, fmt.Errorf("%s: %w", m.options.Name, m.why)
		}
	}
}

func (m *Meter) stopped(ctx context.Context) error {
	return fmt.Errorf("%s: stopped: %w", m.options.Name, context.Cause(ctx))
}

// listen drops what comes until the line has been silent for so long.
func (m *Meter) listen(ctx context.Context, silent time.Duration) error {
	quiet := time.NewTimer(silent)
	defer quiet.Stop()
	for range 1000 {
		select {
		case <-m.pieces:
			m.tally.Stray()
			quiet.Reset(silent)
		case <-quiet.C:
			return nil
		case <-ctx.Done():
			return m.stopped(ctx)
		case <-m.ended:
			return fmt.Errorf("%s: %w", m.options.Name, m.why)
		}
	}
	return m.refuse(probe.BadFrame, "the line is never silent", "see that no other program or instrument uses this line, and that it is a Modbus line")
}

// refuse counts and makes a refusal.
func (m *Meter) refuse(reason probe.Reason, detail, do string) error {
	m.tally.Refuse(reason)
	return &probe.Refusal{Source: m.options.Name, Reason: reason, Detail: detail, Do: do}
}
