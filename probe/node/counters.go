package node

import "loomproof/probe"

// Counters is what a node has counted since it was opened.
type Counters struct {
	Frames    uint64 // good ones
	Unknown   uint64 // good ones of a type this program does not know
	Scans     uint64 // taken
	LostScans uint64 // known to be missing; after a restart of the board an estimate
	Restarts  uint64 // of the board, or of a stream that made no sense any more

	// Rejected is how often something that came was not used, by reason. All
	// reasons are there.
	Rejected map[probe.Reason]uint64
}

// Counters is a copy of the counts. It may be called at any time.
func (n *Node) Counters() Counters {
	n.mu.Lock()
	defer n.mu.Unlock()
	c := n.counters
	c.Rejected = make(map[probe.Reason]uint64)
	for _, r := range probe.Reasons() {
		c.Rejected[r] = n.counters.Rejected[r]
	}
	return c
}

// reject counts. With the lock held.
func (n *Node) reject(why probe.Reason) { n.counters.Rejected[why]++ }
