package node

import (
	"math/bits"
	"time"
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
