package node

import (
	"math"
	"math/bits"
	"time"

	"loomproof/probe"
)

// subscriberBlocks is how many blocks wait for a subscriber: more than a
// second's worth at 5 ms a block.
const subscriberBlocks = 256

// A Block is a run of scans as they were converted, evenly spaced, none
// missing. Its slices are shared between subscribers: do not write to them.
type Block struct {
	At time.Time // when it arrived

	First        uint64 // number of its first scan since Open, lost ones counted
	Clock        uint64 // the board's clock at the begin of that scan, in ticks
	Period       uint32 // from scan to scan, in ticks
	TickHz       uint32
	Oversampling int // conversions summed into each sample

	// Pins are the converter's channels in the order of each scan's samples,
	// and Sums the samples, scan after scan.
	Pins []int
	Sums []uint16

	// Lost is how many scans are missing just before this block, on the board
	// or on the line.
	Lost uint64
	// Restarted says that the board or the stream began anew before this
	// block: Clock begins anew, and Lost is an estimate by this computer's clock.
	Restarted bool
	// Dropped is how many blocks this subscriber was too slow to take just
	// before this one. The node never waits for a subscriber.
	Dropped int
}

// Scans is how many scans the block has.
func (b Block) Scans() int { return len(b.Sums) / len(b.Pins) }

// Subscribe gives every block from now on, until cancel is called or the node
// is closed or gone; then the channel is closed. A slow taker loses blocks and is
// told by the next block's Dropped.
func (n *Node) Subscribe() (blocks <-chan Block, cancel func()) {
	s := &subscriber{out: make(chan Block, subscriberBlocks)}
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.isGone() {
		close(s.out)
		return s.out, func() {}
	}
	n.subscribers[s] = true
	return s.out, func() {
		n.mu.Lock()
		defer n.mu.Unlock()
		n.unsubscribe(s)
	}
}

type subscriber struct {
	out     chan Block
	dropped int
	lost    uint64 // carried over from dropped blocks
	restart bool
}

// unsubscribe needs the lock. It may be called twice.
func (n *Node) unsubscribe(s *subscriber) {
	if n.subscribers[s] {
		delete(n.subscribers, s)
		close(s.out)
	}
}

func (s *subscriber) offer(b Block) {
	b.Dropped, b.Lost, b.Restarted = s.dropped, b.Lost+s.lost, b.Restarted || s.restart
	select {
	case s.out <- b:
		s.dropped, s.lost, s.restart = 0, 0, false
	default:
		s.dropped, s.lost, s.restart = b.Dropped+1, b.Lost, b.Restarted
	}
}

func pinsOf(mask uint8) []int {
	pins := make([]int, 0, bits.OnesCount8(mask))
	for pin := range 8 {
		if mask>>pin&1 != 0 {
			pins = append(pins, pin)
		}
	}
	return pins
}

// A Streamed channel says what its samples in a [Block] stand for:
// Offset + Scale × sum, in the SI unit of its quantity.
type Streamed struct {
	Name          string
	Quantity      probe.Quantity
	Pin           int
	Scale, Offset float64

	// Sums at or below Low, or at or above High, can hide conversions at an end
	// of the converter's range.
	Low, High int32

	Accuracy  probe.Accuracy // at the end of the range
	FullScale float64
}

// Streamed are the channels whose samples are in the blocks: all but those of the
// shunt monitor. ScanRate is how many each has in a second of the board's clock.
func (n *Node) Streamed() (channels []Streamed, scanRate float64) {
	n.mu.Lock()
	defer n.mu.Unlock()
	reference := float64(n.hello.ReferenceMV) / 1000
	step := reference / math.Exp2(float64(n.hello.Bits))
	conversions := int32(n.config.Oversampling)
	for _, ch := range n.config.Channels {
		if ch.onMonitor() {
			continue
		}
		full := max(math.Abs(ch.Offset), math.Abs(reference*ch.Scale+ch.Offset))
		s := Streamed{
			Name: ch.Name, Quantity: ch.Quantity, Pin: ch.Pin,
			Scale: step * ch.Scale / float64(conversions), Offset: ch.Offset + step*ch.Scale/2, // see reading
			Low: conversions - 1, High: conversions*int32(n.top()-1) + 1, // see tally.add
			Accuracy: ch.accuracy(reference, full), FullScale: full,
		}
		if ch.GroundIsZero {
			s.Low = -1
		}
		channels = append(channels, s)
	}
	return channels, n.rate()
}

// TickHz is the nominal pace of the board's clock.
func (n *Node) TickHz() float64 {
	n.mu.Lock()
	defer n.mu.Unlock()
	return float64(n.hello.TickHz)
}
