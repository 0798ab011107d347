package node

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"loomproof/probe"
	"loomproof/probe/port"
)

const (
	keepAliveEvery = 150 * time.Millisecond // the board waits for 500 ms
	answerWithin   = 150 * time.Millisecond
	helloEvery     = 250 * time.Millisecond
	// Boards whose boot loader starts when the port is opened are deaf for a
	// second or two.
	helloWithin = 5 * time.Second
	// Bytes come from a fast line a few at a time, and fetching them costs more
	// than all the rest. So they gather: until the rest of a frame may be there,
	// and between frames for half of what the board gathers itself.
	gatherFrame = time.Millisecond
	// A stream that brings nothing for so long beyond its own pace is started again.
	streamSilence = 500 * time.Millisecond
	silentLooks   = 3 // looks in a row, one each keepAliveEvery
)

// A Node is an open board. Its methods may be called from several goroutines.
type Node struct {
	conn   port.Conn
	config Config

	writing  chan struct{} // held by the one who writes
	tending  chan struct{} // the stream needs a start
	gone     chan struct{} // closed when the port is lost or given up
	finished sync.WaitGroup

	tally probe.Tally

	mu          sync.Mutex
	cause       error // why gone
	hello       Hello
	start       Start
	greeted     chan struct{} // closed at the first hello
	waiting     map[Type][]chan Note
	windows     map[*window]bool
	subscribers map[*subscriber]bool
	latest      map[int]latest // by pin
	state       State
	stateKnown  bool
	limits      map[uint8]Limit
	records     [slots][]byte // calibrations as they came
	stream      stream
	monitor     monitor
	lastTag     uint8
}

// A stream is where the numbering of scans stands.
type stream struct {
	running     bool      // the board has confirmed the start
	begun       bool      // a block has come since
	restarted   bool      // it is not the first stream, and its first block has not come
	missed      uint64    // scans that had no stream, by this computer's clock
	next        uint32    // number of the next scan, as the board counts
	total       uint64    // the same since Open, lost ones counted
	lastClock   uint32    // of the last block
	nextClock   uint32    // at which the next scan begins
	clock       uint64    // the same without wrapping
	lastBlock   time.Time // when one came, or the stream was started
	silentLooks int       // in a row that found no block
	pins        []int
}

type latest struct {
	tally tally
	at    time.Time
}

// Open says hello to the board on conn, cuts its output, clears its limits and
// starts the stream. It repeats hello for five seconds or until ctx ends,
// because a board may restart when its port is opened. The conn belongs to the
// Node from here on: it is closed by Close, and by Open when it fails.
func Open(ctx context.Context, conn port.Conn, cfg Config) (*Node, error) {
	cfg = cfg.withDefaults()
	if err := cfg.check(); err != nil {
		conn.Close()
		return nil, err
	}
	n := &Node{
		conn:        conn,
		config:      cfg,
		writing:     make(chan struct{}, 1),
		tending:     make(chan struct{}, 1),
		gone:        make(chan struct{}),
		greeted:     make(chan struct{}),
		waiting:     map[Type][]chan Note{},
		windows:     map[*window]bool{},
		subscribers: map[*subscriber]bool{},
		latest:      map[int]latest{},
		limits:      map[uint8]Limit{},
	}
	n.finished.Go(n.listen)
	if err := n.begin(ctx); err != nil {
		n.shut()
		return nil, err
	}
	n.finished.Go(n.tend)
	return n, nil
}

func (n *Node) begin(ctx context.Context) error {
	if err := n.greet(ctx); err != nil {
		return err
	}
	n.mu.Lock()
	h := n.hello
	n.mu.Unlock()
	if h.Protocol != ProtocolVersion {
		return n.refusal(probe.InstrumentErr, fmt.Sprintf("the board speaks protocol %d, this program %d", h.Protocol, ProtocolVersion),
			"put the firmware of this program on the board")
	}
	// From here on the hello and the channels do not change any more.
	if err := n.adoptMonitor(); err != nil {
		return err
	}
	start, err := n.config.start(h)
	if err != nil {
		return err
	}
	if err := n.adoptCalibrations(ctx); err != nil {
		return err
	}
	n.mu.Lock()
	n.start = start
	n.mu.Unlock()
	return n.startStream(ctx)
}

// greet asks for a hello until it comes.
func (n *Node) greet(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, helloWithin)
	defer cancel()
	again := time.NewTicker(helloEvery)
	defer again.Stop()
	for {
		if err := n.send(ctx, HelloRequest); err != nil && ctx.Err() == nil {
			return err
		}
		select {
		case <-n.greeted:
			return nil
		case <-again.C:
		case <-n.gone:
			return n.whyGone()
		case <-ctx.Done():
			return fmt.Errorf("node %s on %s: %w to hello; check that the board has its firmware and that this is its port (%w)",
				n.config.Name, n.conn.Name(), probe.ErrSilent, ctx.Err())
		}
	}
}

// startStream brings the board, which may have been restarted or used by
// another program, to what this node wants: cut, limits, stream.
func (n *Node) startStream(ctx context.Context) error {
	if err := n.order(ctx, CutCommand); err != nil {
		return err
	}
	n.mu.Lock()
	start, limits := n.start, n.allLimits()
	n.mu.Unlock()
	for _, l := range limits {
		if err := n.order(ctx, LimitCommand, l.Append(nil)...); err != nil {
			return err
		}
	}
	if err := n.order(ctx, StartCommand, start.Append(nil)...); err != nil || !n.monitored() {
		return err
	}
	return n.startMonitor(ctx)
}

// allLimits is one limit for each channel of the board: what was set, else
// none. With the lock held.
func (n *Node) allLimits() []Limit {
	all := make([]Limit, n.hello.Channels)
	for i := range all {
		channel := uint8(i)
		all[i] = Limit{Channel: channel, High: n.top()}
		if l, set := n.limits[channel]; set {
			all[i] = l
		}
	}
	return all
}

// top is the highest code of one conversion. With the lock held.
func (n *Node) top() uint16 { return 1<<n.hello.Bits - 1 }

// listen takes what the board sends, until the port is gone.
func (n *Node) listen() {
	var d Decoder
	buf := make([]byte, 4096)
	for {
		got, err := n.conn.Read(buf)
		if err != nil {
			n.fail(err)
			return
		}
		now := time.Now()
		n.mu.Lock()
		for p := buf[:got]; len(p) > 0; {
			var f Frame
			var err error
			f, p, err = d.Next(p)
			n.take(f, err, now)
		}
		n.mu.Unlock()
		if d.inFrame() {
			time.Sleep(gatherFrame)
		} else {
			time.Sleep(n.config.Block / 2)
		}
	}
}

// take handles one frame. With the lock held.
func (n *Node) take(f Frame, err error, now time.Time) {
	switch {
	case errors.Is(err, ErrBadChecksum):
		n.tally.Refuse(probe.BadChecksum)
		return
	case err != nil:
		n.tally.Refuse(probe.BadFrame)
		return
	case f.Type == 0:
		return
	}
	switch f.Type {
	case HelloMessage:
		err = n.takeHello(f.Body)
	case SamplesMessage:
		err = n.takeSamples(f.Body, now)
	case StateMessage:
		err = n.takeState(f.Body, now)
	case NoteMessage:
		err = n.takeNote(f.Body, now)
	case CalibrationMessage:
		err = n.takeCalibration(f.Body)
	case MonitorMessage:
		err = n.takeMonitor(f.Body, now)
	default:
		n.tally.Stray()
		return
	}
	switch {
	case err != nil:
		n.tally.Refuse(probe.BadFrame)
	case f.Type != SamplesMessage && f.Type != MonitorMessage:
		n.tally.Frame(0)
	}
}

func (n *Node) takeHello(body []byte) error {
	h, err := ParseHello(body)
	if err != nil {
		return err
	}
	select {
	case <-n.greeted:
	default:
		n.hello = h
		close(n.greeted)
		return nil
	}
	if !h.Started {
		return nil
	}
	n.state, n.stateKnown = State{Why: WhyStarted, Channel: NoChannel, Since: h.Clock, Clock: h.Clock, Tag: n.state.Tag}, true
	if n.stream.running {
		n.interrupted("the board restarted")
	}
	return nil
}

// interrupted says that the stream has broken off and must be started anew.
// With the lock held.
func (n *Node) interrupted(why string) {
	n.tally.Restart()
	n.stream.running = false
	n.stream.restarted = true
	n.spoilWindows(false, why)
	select {
	case n.tending <- struct{}{}:
	default:
	}
}

func (n *Node) takeState(body []byte, now time.Time) error {
	s, err := ParseState(body)
	if err != nil {
		return err
	}
	n.state, n.stateKnown = s, true
	// It opens windows by the board's clock: an old one would let old samples in.
	if st := &n.stream; st.running && st.begun {
		since := int32(s.Clock - st.lastClock)
		if since < 0 || float64(since) > n.ticksSince(st.lastBlock, now) {
			n.clockJumped()
			return nil
		}
	}
	for w := range n.windows {
		if !w.open && int8(s.Tag-w.tag) >= 0 {
			w.open, w.from = true, s.Clock
		}
	}
	return nil
}

func (n *Node) takeNote(body []byte, now time.Time) error {
	note, err := ParseNote(body)
	if err != nil {
		return err
	}
	if note.To == StartCommand && note.Code == Done {
		n.startedAt(now)
	}
	for _, w := range n.waiting[note.To] {
		select {
		case w <- note:
		default:
		}
	}
	return nil
}

// startedAt begins the numbering of a new stream. What was missed since the
// last block of an older one is known by this computer's clock alone.
func (n *Node) startedAt(now time.Time) {
	s := &n.stream
	if s.total > 0 {
		s.restarted = true
		s.missed += max(1, uint64(now.Sub(s.lastBlock).Seconds()*n.rate()))
	}
	s.running, s.begun, s.next = true, false, 0
	s.lastBlock = now
	s.pins = pinsOf(n.start.Mask)
}

// rate is in scans a second. With the lock held.
func (n *Node) rate() float64 { return float64(n.hello.TickHz) / float64(n.start.Period) }

// takeSamples checks a block against what was asked for, numbers it, and hands
// it on. Before the start is confirmed, blocks are of an older stream.
func (n *Node) takeSamples(body []byte, now time.Time) error {
	s, err := ParseSamples(body)
	if err != nil {
		return err
	}
	if !n.stream.running {
		n.tally.Stray()
		return nil
	}
	if err := n.plausible(s, now); err != nil {
		n.interrupted("a block came that cannot be")
		return err
	}
	if n.stream.begun && !n.steadyClock(s) {
		n.clockJumped()
		return nil
	}
	n.number(s, now)
	return nil
}

// steadyClock says whether a block begins when it must by the numbers and the
// period. Where scans are missing the board may have begun one anew, within a
// period for each.
func (n *Node) steadyClock(s Samples) bool {
	gap := int64(s.First - n.stream.next)
	expected := n.stream.nextClock + (s.First-n.stream.next)*s.Period
	off := int64(int32(s.Clock - expected))
	return max(off, -off) <= gap*int64(s.Period)
}

// clockJumped gives the stream up: times and numbers can no longer be trusted.
func (n *Node) clockJumped() {
	n.tally.Refuse(probe.ClockJump)
	n.interrupted("the board's clock jumped")
}

// ticksSince is how far the board's clock can have come, at most, with what the
// line and this computer may hold up. With the lock held.
func (n *Node) ticksSince(then, now time.Time) float64 {
	return (now.Sub(then) + time.Second).Seconds() * float64(n.hello.TickHz) * 1.1
}

// plausible finds what a checksum lets through once in 65536 damaged frames.
func (n *Node) plausible(s Samples, now time.Time) error {
	if s.Mask != n.start.Mask || s.Shift != n.start.Shift || s.Period != n.start.Period {
		return ErrBadFrame
	}
	highest := n.top() << s.Shift
	for i := range s.Len() {
		if s.Sum(i) > highest {
			return ErrBadFrame
		}
	}
	// Scans cannot be missing that there was no time for.
	gap := s.First - n.stream.next
	if float64(gap)*float64(s.Period) > n.ticksSince(n.stream.lastBlock, now) {
		return ErrBadFrame
	}
	return nil
}

// number finds the place of a block among all scans, and what is missing
// before it.
func (n *Node) number(s Samples, now time.Time) {
	st := &n.stream
	if gap := s.First - st.next; gap > 0 {
		n.tally.Refuse(probe.LostFrames)
		n.spoilWindows(false, fmt.Sprintf("%d scans are missing", gap))
	}
	lost := uint64(s.First-st.next) + st.missed
	first := st.total + lost
	if st.begun {
		st.clock += uint64(s.Clock - st.lastClock)
	} else {
		st.clock = uint64(s.Clock)
	}
	b := Block{At: now, First: first, Clock: st.clock, Period: s.Period, Lost: lost, Restarted: st.restarted}
	st.begun, st.restarted, st.missed = true, false, 0
	st.next = s.First + uint32(s.Scans)
	st.total = first + uint64(s.Scans)
	st.lastClock, st.lastBlock = s.Clock, now
	st.nextClock = s.Clock + uint32(s.Scans)*s.Period
	n.tally.Frame(int(s.Scans))
	n.tally.Lose(lost)

	n.fillWindows(s, now)
	n.keepLatest(s, now)
	n.publish(s, b)
}

func (n *Node) publish(s Samples, b Block) {
	if len(n.subscribers) == 0 {
		return
	}
	b.TickHz = n.hello.TickHz
	b.Oversampling = 1 << s.Shift
	b.Pins = n.stream.pins
	b.Sums = make([]uint16, s.Len())
	for i := range b.Sums {
		b.Sums[i] = s.Sum(i)
	}
	for sub := range n.subscribers {
		sub.offer(b)
	}
}

// tend keeps the board's word alive, and starts the stream again when it has
// broken off.
func (n *Node) tend() {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	tick := time.NewTicker(keepAliveEvery)
	defer tick.Stop()
	for {
		select {
		case <-n.gone:
			return
		case <-tick.C:
			n.keepAlive(ctx)
			n.watchStream()
		case <-n.tending:
			// A failure shows as a silent stream, and is tried again.
			if n.startStream(ctx) != nil {
				n.restartLater()
			}
		}
	}
}

// keepAlive asks the board for its state and clock. It returns the tag that
// the answer will bear.
func (n *Node) keepAlive(ctx context.Context) (tag uint8, err error) {
	n.mu.Lock()
	n.lastTag++
	tag = n.lastTag
	n.mu.Unlock()
	return tag, n.send(ctx, KeepAlive, tag)
}

// watchStream catches a board whose hello after a restart was lost. Starting the
// stream anew cuts power, and a computer that was busy for a moment finds the
// blocks late, but all of them: it has until the second look to take them in.
func (n *Node) watchStream() {
	n.mu.Lock()
	defer n.mu.Unlock()
	if !n.stream.running || time.Since(n.stream.lastBlock) < streamSilence+2*n.blockTime() {
		n.stream.silentLooks = 0
		return
	}
	if n.stream.silentLooks++; n.stream.silentLooks > silentLooks {
		n.stream.silentLooks = 0
		n.interrupted("the stream fell silent")
	}
}

// blockTime is how long the board gathers before it sends at most; one of
// firmware 1.0 takes 20 ms whatever it is asked for. With the lock held.
func (n *Node) blockTime() time.Duration { return max(20*time.Millisecond, n.scanTime()) }

func (n *Node) scanTime() time.Duration {
	return time.Duration(float64(n.start.Period) / float64(n.hello.TickHz) * float64(time.Second))
}

func (n *Node) restartLater() {
	time.AfterFunc(keepAliveEvery, func() {
		select {
		case n.tending <- struct{}{}:
		default:
		}
	})
}

// Identity is how the board introduced itself.
func (n *Node) Identity() probe.Identity {
	n.mu.Lock()
	defer n.mu.Unlock()
	id := probe.Identity{
		Name:        n.config.Name,
		Maker:       "Loomproof",
		Model:       fmt.Sprintf("node, %d inputs, %d bits", n.hello.Channels, n.hello.Bits),
		Firmware:    fmt.Sprintf("%d.%d", n.hello.Major, n.hello.Minor),
		Port:        n.conn.Name(),
		Calibrated:  n.config.Calibrated,
		Certificate: n.config.Certificate,
	}
	if day, references, all := n.calibratedOn(); all {
		id.Calibrated, id.Certificate = day, references
	}
	if n.hello.ID != NoID {
		id.Serial = fmt.Sprint(n.hello.ID)
	}
	return id
}

// Counters says what came from the board so far. Lost is an estimate where the
// board restarted. Strays are frames of a type that this program does not know,
// and samples of a stream that it did not start.
func (n *Node) Counters() probe.Counters { return n.tally.Counters() }

// Channels are the config's, in its order.
func (n *Node) Channels() []probe.Channel {
	channels := make([]probe.Channel, len(n.config.Channels))
	for i, ch := range n.config.Channels {
		channels[i] = probe.Channel{Name: ch.Name, Quantity: ch.Quantity, Accuracy: ch.accuracy(fullVolts, fullVolts*math.Abs(ch.Scale))}
	}
	return channels
}

// Close cuts the output, stops the stream and gives the port up.
func (n *Node) Close() error {
	if !n.isGone() {
		ctx, cancel := context.WithTimeout(context.Background(), answerWithin)
		defer cancel()
		// The board cuts by itself when these are lost.
		if n.send(ctx, CutCommand) == nil {
			n.send(ctx, StopCommand)
		}
	}
	n.shut()
	return nil
}

func (n *Node) shut() {
	n.fail(port.ErrClosed)
	n.conn.Close()
	n.finished.Wait()
}

// fail is what ends a node; the first cause stays.
func (n *Node) fail(err error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.isGone() {
		return
	}
	n.cause = err
	if !errors.Is(err, probe.ErrGone) {
		n.cause = fmt.Errorf("%w: %w", probe.ErrGone, err)
	}
	close(n.gone)
	for s := range n.subscribers {
		n.unsubscribe(s)
	}
}

func (n *Node) isGone() bool {
	select {
	case <-n.gone:
		return true
	default:
		return false
	}
}

func (n *Node) whyGone() error {
	n.mu.Lock()
	defer n.mu.Unlock()
	return fmt.Errorf("node %s: %w", n.config.Name, n.cause)
}

func (n *Node) refusal(why probe.Reason, detail, do string) *probe.Refusal {
	return &probe.Refusal{Source: n.config.Name, Reason: why, Detail: detail, Do: do}
}
