package bench

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"math/bits"
	"math/rand/v2"
	"os"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"loomproof/probe"
	"loomproof/probe/node"
)

// The numbers of the board that a Node behaves like: its firmware's protocol.h.
const (
	nodeChannels      = 8
	nodeTop           = 1023
	nodeReferenceMV   = 5000
	nodeTickHz        = 2_000_000
	nodeShortest      = 240
	nodeLongest       = 20_000
	nodeBlockTicks    = 40_000
	nodeBlockSamples  = 116
	nodeMaxShift      = 6
	nodeHostSilence   = 500 * time.Millisecond
	nodeConversion    = 216 // ticks, 108 µs
	nodeStep          = 2 * time.Millisecond
	nodeFramesWaiting = 64
	nodeSlots         = 10     // of calibration records
	nodeMonitorAge    = 38_720 // ticks: nothing in a reading is older
	nodeMonitorBusUV  = 1250   // one step
	nodeMonitorNV     = 2500
	nodeMost          = 50 * time.Millisecond // made up at once
)

// NodeOptions shape an emulated [Node].
type NodeOptions struct {
	Seed uint64
	// Noise is the standard deviation of each conversion in steps of the
	// converter. 0 means half a step, with which averaging refines a reading;
	// below 0 means none.
	Noise float64
	// ID is the board's number. 0 means that it was never given one.
	ID uint32
	// Monitor is a shunt monitor on the board: volts at its bus input and over
	// its shunt. ok is false while it does not answer. nil: there is none.
	Monitor func() (bus, shunt float64, ok bool)
}

// A Node is our microcontroller board in Go, for a demo and tests without a
// board and without an emulated chip. It uses the wire format of package node;
// that it behaves as the firmware does is shown by one table of tests that
// runs against both. What it does not have: delays of a real line, and input
// by way of a multiplexer that takes time to settle.
type Node struct {
	pins    func(channel int) float64
	options NodeOptions
	on      atomic.Bool // state.On, for those who must not wait: pins may ask for it

	mu    sync.Mutex
	noise *rand.Rand
	start time.Time // of the device clock
	seen  time.Time // until when all is done that was due
	state node.State
	heard time.Time // the host's last good frame

	stream  node.Start
	pinList []int
	origin  uint64 // ticks at which the stream was started
	scan    uint64 // number of the next scan
	block   node.Samples
	sums    []uint16
	last    [nodeChannels]uint16
	sampled uint8
	limits  [nodeChannels]node.Limit

	records [nodeSlots][]byte // calibrations; a reset leaves them

	monitorEvery  uint32 // ticks; 0: not asked for
	monitorDue    uint64
	monitorNumber uint32
	monitorLost   bool

	out chan []byte // nil while nobody is served
}

// NewNode is a board whose pins stand at what pins tells, in volts. It is
// asked once a scan for each channel that is sampled, from one goroutine; it
// may call Cut, and no other method.
func NewNode(pins func(channel int) float64, opts NodeOptions) *Node {
	if opts.Noise == 0 {
		opts.Noise = 0.5
	}
	if opts.ID == 0 {
		opts.ID = node.NoID
	}
	n := &Node{pins: pins, options: opts, noise: rand.New(rand.NewPCG(opts.Seed, 0))}
	for i := range n.records {
		n.records[i] = bytes.Repeat([]byte{0xFF}, node.RecordSize)
	}
	n.powerUp()
	return n
}

// powerUp is what a reset does. With the lock held, or before there is one.
func (n *Node) powerUp() {
	n.start = time.Now()
	n.seen = n.start
	n.heard = time.Time{}
	n.state = node.State{Channel: node.NoChannel}
	n.on.Store(false)
	n.halt()
	n.monitorEvery = 0
	for i := range n.limits {
		n.limits[i] = node.Limit{Channel: uint8(i), High: nodeTop}
	}
}

// Cut says whether the cut-out output keeps power cut.
func (n *Node) Cut() bool { return !n.on.Load() }

// Reset presses the reset button.
func (n *Node) Reset() {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.powerUp()
	n.sendHello(true)
}

// Serve is the board at its end of a line, from power-up until the line closes;
// it closes its end and returns nil. Frames that nobody takes are lost, as on a
// serial port.
func (n *Node) Serve(rw io.ReadWriteCloser) error {
	out := make(chan []byte, nodeFramesWaiting)
	stop := make(chan struct{})
	var running sync.WaitGroup
	running.Go(func() { writeFrames(rw, out, stop) })
	n.mu.Lock()
	n.out = out
	n.powerUp()
	n.sendHello(true)
	n.mu.Unlock()
	running.Go(func() { n.live(stop) })

	err := n.listen(rw)
	close(stop)
	rw.Close()
	running.Wait()
	n.mu.Lock()
	defer n.mu.Unlock()
	n.out = nil
	n.powerUp()
	if isLineClosed(err) {
		return nil
	}
	return err
}

func isLineClosed(err error) bool {
	return errors.Is(err, io.EOF) || errors.Is(err, os.ErrClosed) || errors.Is(err, probe.ErrGone) || errors.Is(err, syscall.EIO)
}

func writeFrames(w io.Writer, out <-chan []byte, stop <-chan struct{}) {
	for {
		select {
		case frame := <-out:
			if _, err := w.Write(frame); err != nil {
				return // the reader sees it too, and ends all
			}
		case <-stop:
			return
		}
	}
}

// live lets time pass.
func (n *Node) live(stop <-chan struct{}) {
	tick := time.NewTicker(nodeStep)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			n.mu.Lock()
			n.advance()
			n.mu.Unlock()
		case <-stop:
			return
		}
	}
}

func (n *Node) listen(r io.Reader) error {
	var d node.Decoder
	d.Next([]byte{0}) // the board listens from the first byte on
	buf := make([]byte, 256)
	for {
		got, err := r.Read(buf)
		if err != nil {
			return err
		}
		n.mu.Lock()
		for p := buf[:got]; len(p) > 0; {
			var f node.Frame
			var err error
			f, p, err = d.Next(p)
			n.advance()
			switch {
			case err != nil:
				n.note(0, node.DamagedFrame, 0)
			case f.Type != 0:
				n.obey(f)
			}
		}
		n.mu.Unlock()
	}
}

// ticks is the device clock without wrapping.
func (n *Node) ticks() uint64 { return uint64(time.Since(n.start) / (time.Second / nodeTickHz)) }

func (n *Node) tickOf(t time.Time) uint32 {
	return uint32(t.Sub(n.start) / (time.Second / nodeTickHz))
}

// advance does what was due until now. A computer that cannot keep up makes
// the board's clock slow, never bursty: a burst would look like a silent host.
func (n *Node) advance() {
	if behind := time.Since(n.seen) - nodeMost; behind > 0 {
		n.start = n.start.Add(behind)
		n.heard = n.heard.Add(behind)
	}
	n.seen = time.Now()
	now := n.ticks()
	for n.stream.Mask != 0 && n.scanEnd() <= now {
		n.convert()
	}
	for n.monitorEvery != 0 && n.monitorDue <= now {
		n.readMonitor()
	}
	if silent := n.heard.Add(nodeHostSilence); n.state.On && time.Now().After(silent) {
		n.drop(node.State{Why: node.WhyHostSilent, Channel: node.NoChannel, Since: n.tickOf(silent)})
	}
}

// scanBegin is when the next scan's first conversion begins, one interval
// after the start for the first.
func (n *Node) scanBegin() uint64 {
	return n.origin + n.interval() + n.scan*uint64(n.stream.Period)
}

func (n *Node) scanEnd() uint64 {
	return n.scanBegin() + uint64(n.stream.Period) - n.interval() + nodeConversion
}

func (n *Node) interval() uint64 {
	return uint64(n.stream.Period) / uint64(len(n.pinList)<<n.stream.Shift)
}

// convert does one scan.
func (n *Node) convert() {
	if n.block.Scans == 0 {
		n.block = node.Samples{
			First: uint32(n.scan), Clock: uint32(n.scanBegin()),
			Period: n.stream.Period, Mask: n.stream.Mask, Shift: n.stream.Shift,
		}
	}
	for _, pin := range n.pinList {
		sum := n.sum(n.pins(pin))
		n.sums = append(n.sums, sum)
		n.last[pin] = sum
		n.sampled |= 1 << pin
		if !n.inside(pin) {
			n.drop(node.State{Why: node.WhyLimit, Channel: uint8(pin), Sample: sum, Since: uint32(n.scanEnd())})
		}
	}
	n.scan++
	n.block.Scans++
	block := uint32(nodeBlockTicks)
	if ms := uint32(n.stream.BlockMS); ms > 0 {
		block = min(block, ms*nodeTickHz/1000)
	}
	most := min(block/n.stream.Period, nodeBlockSamples/uint32(len(n.pinList)))
	if uint32(n.block.Scans) >= most {
		n.sendBlock()
	}
}

// readMonitor takes one reading of the shunt monitor. That it is lost is told
// once; then it is looked for each second.
func (n *Node) readMonitor() {
	bus, shunt, ok := n.options.Monitor()
	m := node.MonitorSample{Number: n.monitorNumber, Clock: uint32(n.monitorDue) - nodeMonitorAge}
	n.monitorDue += uint64(n.monitorEvery)
	switch {
	case ok:
		m.Bus, m.Shunt = monitorCode(bus, nodeMonitorBusUV*1e-6), monitorCode(shunt, nodeMonitorNV*1e-9)
		n.monitorNumber++
		n.monitorLost = false
	case n.monitorLost:
		n.monitorDue += nodeTickHz
		return
	default:
		m.Lost, n.monitorLost = true, true
	}
	n.send(node.MonitorMessage, m.Append(nil)...)
}

func monitorCode(volts, step float64) int16 {
	return int16(max(math.MinInt16, min(math.MaxInt16, math.Round(volts/step))))
}

// sum is what the converter makes of a voltage: conversions with noise of
// their own, each rounded down to a code.
func (n *Node) sum(volts float64) uint16 {
	var total float64
	for range 1 << n.stream.Shift {
		x := volts * (nodeTop + 1) * 1000 / nodeReferenceMV
		if n.options.Noise > 0 {
			x += n.noise.NormFloat64() * n.options.Noise
		}
		if x > 0 { // also not NaN
			total += math.Floor(min(x, nodeTop))
		}
	}
	return uint16(total)
}

func (n *Node) sendBlock() {
	if n.block.Scans > 0 {
		n.send(node.SamplesMessage, n.block.Append(nil, n.sums)...)
	}
	n.block.Scans, n.sums = 0, n.sums[:0]
}

// inside says that the last sample of a channel is known and within its limits.
func (n *Node) inside(pin int) bool {
	l := n.limits[pin]
	high := uint32(l.High) << n.stream.Shift
	if l.High >= nodeTop {
		high = math.MaxUint16
	}
	sample := uint32(n.last[pin])
	return n.sampled>>pin&1 != 0 && sample >= uint32(l.Low)<<n.stream.Shift && sample <= high
}

func (n *Node) limited(pin int) bool { return n.limits[pin].Low > 0 || n.limits[pin].High < nodeTop }

// drop cuts power; the first reason stays.
func (n *Node) drop(s node.State) {
	if n.state.On {
		n.change(s)
	}
}

func (n *Node) change(s node.State) {
	s.Tag = n.state.Tag
	n.state = s
	n.on.Store(s.On)
	n.sendState()
}

// obey does what the host asks.
func (n *Node) obey(f node.Frame) {
	n.heard = time.Now()
	switch f.Type {
	case node.HelloRequest:
		n.sendHello(false)
	case node.KeepAlive:
		if len(f.Body) < 1 {
			n.note(f.Type, node.WrongLength, 1)
			return
		}
		n.state.Tag = f.Body[0]
		n.sendState()
	case node.StartCommand:
		s, err := node.ParseStart(f.Body)
		if err != nil {
			n.note(f.Type, node.WrongLength, 6)
			return
		}
		n.note(f.Type, n.begin(s), 0)
	case node.StopCommand:
		n.halt()
		n.requireWatch()
		n.note(f.Type, node.Done, 0)
	case node.CutCommand:
		n.drop(node.State{Why: node.WhyCommand, Channel: node.NoChannel, Since: uint32(n.ticks())})
		n.note(f.Type, node.Done, 0)
	case node.RestorePower:
		n.note(f.Type, n.restore(), 0)
	case node.LimitCommand:
		l, err := node.ParseLimit(f.Body)
		if err != nil {
			n.note(f.Type, node.WrongLength, 5)
			return
		}
		n.note(f.Type, n.limit(l), 0)
	case node.ReadCalibration:
		n.readRecord(f.Body)
	case node.WriteCalibration:
		n.writeRecord(f.Body)
	case node.MonitorCommand:
		if len(f.Body) < 4 {
			n.note(f.Type, node.WrongLength, 4)
			return
		}
		n.note(f.Type, n.startMonitor(binary.LittleEndian.Uint32(f.Body)), 0)
	default:
		n.note(f.Type, node.UnknownType, 0)
	}
}

func (n *Node) begin(s node.Start) node.Code {
	channels := bits.OnesCount8(s.Mask)
	if channels == 0 || s.Shift > nodeMaxShift || n.options.Monitor != nil && s.Mask&0x30 != 0 {
		return node.OutOfRange
	}
	conversions := uint32(channels) << s.Shift
	interval := s.Period / conversions
	if interval < nodeShortest {
		return node.TooFast
	}
	if interval > nodeLongest {
		return node.OutOfRange
	}
	n.halt()
	s.Period = interval * conversions
	n.stream = s
	n.origin = n.ticks()
	for pin := range nodeChannels {
		if s.Mask>>pin&1 != 0 {
			n.pinList = append(n.pinList, pin)
		}
	}
	n.requireWatch()
	return node.Done
}

func (n *Node) readRecord(body []byte) {
	switch {
	case len(body) < 1:
		n.note(node.ReadCalibration, node.WrongLength, 1)
	case body[0] >= nodeSlots:
		n.note(node.ReadCalibration, node.OutOfRange, 0)
	default:
		n.send(node.CalibrationMessage, append([]byte{body[0]}, n.records[body[0]]...)...)
		n.note(node.ReadCalibration, node.Done, 0)
	}
}

// writeRecord keeps a record that has its checksum, or none.
func (n *Node) writeRecord(body []byte) {
	if len(body) < node.RecordSize {
		n.note(node.WriteCalibration, node.WrongLength, node.RecordSize)
		return
	}
	body = body[:node.RecordSize]
	if _, err := node.ParseRecord(body); body[1] >= nodeSlots || err != nil && body[0] != 0xFF {
		n.note(node.WriteCalibration, node.OutOfRange, 0)
		return
	}
	n.records[body[1]] = bytes.Clone(body)
	n.note(node.WriteCalibration, node.Done, 0)
}

func (n *Node) startMonitor(ticks uint32) node.Code {
	switch {
	case ticks != 0 && (ticks < 20_000 || ticks > nodeTickHz):
		return node.OutOfRange
	case ticks != 0 && n.options.Monitor == nil:
		return node.Absent
	}
	n.monitorEvery, n.monitorNumber, n.monitorLost = ticks, 0, false
	n.monitorDue = n.ticks() + nodeMonitorAge
	return node.Done
}

func (n *Node) halt() {
	n.stream = node.Start{}
	n.pinList = nil
	n.scan = 0
	n.block.Scans, n.sums = 0, n.sums[:0]
	n.sampled = 0
}

func (n *Node) limit(l node.Limit) node.Code {
	if l.Channel >= nodeChannels || l.Low > nodeTop || l.Low > l.High {
		return node.OutOfRange
	}
	n.limits[l.Channel] = l
	n.requireWatch()
	return node.Done
}

// requireWatch cuts when a limit is on a channel that is not sampled.
func (n *Node) requireWatch() {
	for pin := range nodeChannels {
		if n.limited(pin) && n.stream.Mask>>pin&1 == 0 {
			n.drop(node.State{Why: node.WhyNotWatched, Channel: node.NoChannel, Since: uint32(n.ticks())})
		}
	}
}

func (n *Node) restore() node.Code {
	for pin := range nodeChannels {
		if n.limited(pin) && (n.stream.Mask>>pin&1 == 0 || !n.inside(pin)) {
			return node.Refused
		}
	}
	if !n.state.On {
		n.change(node.State{On: true, Why: node.WhyCommand, Channel: node.NoChannel, Since: uint32(n.ticks())})
	}
	return node.Done
}

func (n *Node) sendHello(started bool) {
	n.send(node.HelloMessage, node.Hello{
		Protocol: node.ProtocolVersion, Major: 1, Minor: 1, Started: started, ID: n.options.ID,
		Channels: nodeChannels, Bits: 10, ReferenceMV: nodeReferenceMV,
		TickHz: nodeTickHz, Clock: uint32(n.ticks()),
		ShortestTicks: nodeShortest, LongestTicks: nodeLongest, HostSilenceMS: uint16(nodeHostSilence / time.Millisecond),
		KeepsCalibration: true, HasMonitor: n.options.Monitor != nil, MonitorBusUV: nodeMonitorBusUV, MonitorShuntNV: nodeMonitorNV,
	}.Append(nil)...)
}

func (n *Node) sendState() {
	n.state.Clock = uint32(n.ticks())
	n.send(node.StateMessage, n.state.Append(nil)...)
}

func (n *Node) note(to node.Type, code node.Code, detail uint16) {
	if code == node.TooFast {
		detail = nodeShortest
	}
	n.send(node.NoteMessage, node.Note{To: to, Code: code, Detail: detail}.Append(nil)...)
}

// send never waits: what does not fit is lost, and the protocol shows it.
func (n *Node) send(t node.Type, body ...byte) {
	select {
	case n.out <- node.AppendFrame(nil, t, body...):
	default:
	}
}
