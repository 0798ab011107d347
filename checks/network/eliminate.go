package network

import (
	"container/heap"
	"errors"
	"fmt"
	"math"
	"math/bits"
	"slices"
)

// A NoSolution says why a network has none.
type NoSolution struct {
	Node int // where it shows
	Why  string
}

func (e *NoSolution) Error() string { return fmt.Sprintf("no solution: %s (node %d)", e.Why, e.Node) }

var errUnsettled = errors.New("the voltages do not settle")

func (n *Network) explain(err error, volts []float64) error {
	var none *NoSolution
	if errors.As(err, &none) {
		return none
	}
	// Name the node whose currents add up worst.
	sum := make([]float64, n.nodes)
	for i := range n.parts {
		p := &n.parts[i]
		amperes := p.g * (volts[p.a] - volts[p.b])
		if p.dev != nil {
			amperes, _ = p.dev.through(volts[p.a] - volts[p.b])
		}
		sum[p.a] += amperes
		sum[p.b] -= amperes
	}
	worst := 0
	for i := 1; i < n.nodes; i++ {
		if math.Abs(sum[i]) > math.Abs(sum[worst]) {
			worst = i
		}
	}
	return &NoSolution{worst, err.Error()}
}

// A plan is the order in which nodes are taken out, worked out once for a
// network's shape. Every pair of nodes that ever has a conductance between
// them has a slot.
type plan struct {
	order  []int32 // nodes as they leave, all but the reference
	first  []int32 // for the k-th to leave: its neighbours are neigh[first[k]:first[k+1]]
	neigh  []int32 // neighbours that leave later
	slot   []int32 // beside neigh: the slot of that pair
	target []int32 // for each pair of neighbours of the k-th, in order: the slot it adds to
	tfirst []int32 // where the k-th node's targets begin

	place   []int32 // by node: which k it leaves as; -1 for the reference
	owner   []int32 // by slot: the k that leaves first of its pair, and so reads it
	devices []int32 // the parts that are no resistors
	every   []int32 // all steps, last first
	bent    []int32 // those whose voltages the devices' curves depend on, last first
	own     lists   // by k: the parts whose lines it reads
	from    lists   // by k: the targets (indexes into target) that add to its slots
	around  lists   // by k: the places in neigh where it stands as a neighbour

	work *tables // the numbers
}

// lists are lists of numbers, laid end to end.
type lists struct {
	first []int32
	items []int32
}

func (l lists) of(k int32) []int32 { return l.items[l.first[k]:l.first[k+1]] }

// gather makes lists out of (list, item) pairs, keeping their order.
func gather(n int, pairs func(yield func(list, item int32))) lists {
	l := lists{first: make([]int32, n+1)}
	pairs(func(list, _ int32) { l.first[list+1]++ })
	for i := range n {
		l.first[i+1] += l.first[i]
	}
	l.items = make([]int32, l.first[n])
	at := slices.Clone(l.first[:n])
	pairs(func(list, item int32) {
		l.items[at[list]] = item
		at[list]++
	})
	return l
}

// shape is the graph while nodes are being taken out.
type shape struct {
	slots map[[2]int32]int32
	neigh []map[int32]struct{}
}

func (s *shape) join(a, b int32) int32 {
	if a > b {
		a, b = b, a
	}
	key := [2]int32{a, b}
	slot, ok := s.slots[key]
	if !ok {
		slot = int32(len(s.slots))
		s.slots[key] = slot
		s.neigh[a][b] = struct{}{}
		s.neigh[b][a] = struct{}{}
	}
	return slot
}

// toReference marks a part that joins a node to the reference, or a node to itself.
const (
	toReference = -1
	toItself    = -2
)

func newPlan(n *Network) *plan {
	s := &shape{slots: make(map[[2]int32]int32, len(n.parts)), neigh: make([]map[int32]struct{}, n.nodes)}
	for i := range s.neigh {
		s.neigh[i] = make(map[int32]struct{}, 4)
	}
	for i := range n.parts {
		p := &n.parts[i]
		switch {
		case p.a == p.b:
			p.slot = toItself
		case p.a == 0 || p.b == 0:
			p.slot = toReference
		default:
			p.slot = int(s.join(int32(p.a), int32(p.b)))
		}
	}
	pl := &plan{first: []int32{0}, tfirst: []int32{0}}
	queue := newQueue(s.neigh)
	for queue.Len() > 0 {
		k := heap.Pop(queue).(int32)
		pl.order = append(pl.order, k)
		around := make([]int32, 0, len(s.neigh[k]))
		for j := range s.neigh[k] {
			around = append(around, j)
		}
		slices.Sort(around) // maps have no order, and the same network must give the same bits
		for _, j := range around {
			delete(s.neigh[j], k)
			pl.neigh = append(pl.neigh, j)
			pl.slot = append(pl.slot, s.join(k, j))
		}
		for x, i := range around {
			for _, j := range around[x+1:] {
				pl.target = append(pl.target, s.join(i, j))
			}
		}
		for _, j := range around {
			queue.moved(j)
		}
		pl.first = append(pl.first, int32(len(pl.neigh)))
		pl.tfirst = append(pl.tfirst, int32(len(pl.target)))
	}
	pl.finish(n, len(s.slots))
	return pl
}

// finish works out who reads what.
func (pl *plan) finish(n *Network, slots int) {
	pl.place = make([]int32, n.nodes)
	pl.place[0] = -1
	pl.owner = make([]int32, slots)
	for k, node := range pl.order {
		pl.place[node] = int32(k)
		for _, slot := range pl.slot[pl.first[k]:pl.first[k+1]] {
			pl.owner[slot] = int32(k)
		}
	}
	for i := range n.parts {
		if n.parts[i].dev != nil {
			pl.devices = append(pl.devices, int32(i))
		}
	}
	steps := len(pl.order)
	pl.own = gather(steps, func(yield func(list, item int32)) {
		for i := range n.parts {
			pl.readers(&n.parts[i], func(k int32) { yield(k, int32(i)) })
		}
	})
	pl.from = gather(steps, func(yield func(list, item int32)) {
		for t, slot := range pl.target {
			yield(pl.owner[slot], int32(t))
		}
	})
	pl.around = gather(steps, func(yield func(list, item int32)) {
		for x, node := range pl.neigh {
			yield(pl.place[node], int32(x))
		}
	})
	pl.every, pl.bent = pl.backwards(n)
	pl.work = &tables{
		plan: pl, parts: n.parts, g: make([]float64, slots), ground: make([]float64, n.nodes),
		inflow: make([]float64, n.nodes), pivot: make([]float64, n.nodes),
		addG: make([]float64, len(pl.target)), addGround: make([]float64, len(pl.neigh)), addInflow: make([]float64, len(pl.neigh)),
		stale: make([]uint64, steps/64+1),
	}
	for k := range pl.order {
		pl.work.mark(int32(k))
	}
}

// backwards lists the steps last first, as voltages are found: all of them, and
// those that a search needs before it has settled: the nodes of devices, and
// whatever their voltages are found from.
func (pl *plan) backwards(n *Network) (every, bent []int32) {
	needed := make([]bool, n.nodes)
	for _, i := range pl.devices {
		needed[n.parts[i].a], needed[n.parts[i].b] = true, true
	}
	for k, node := range pl.order {
		for _, other := range pl.neigh[pl.first[k]:pl.first[k+1]] {
			needed[other] = needed[other] || needed[node]
		}
	}
	for k := len(pl.order) - 1; k >= 0; k-- {
		every = append(every, int32(k))
		if needed[pl.order[k]] {
			bent = append(bent, int32(k))
		}
	}
	return every, bent
}

// readers calls f for each step that reads a part's line, once each.
func (pl *plan) readers(p *part, f func(k int32)) {
	owner := int32(-1)
	switch {
	case p.slot == toItself:
		return
	case p.slot == toReference:
		owner = pl.place[p.a+p.b] // one of the two is 0
	default:
		owner = pl.owner[p.slot]
	}
	f(owner)
	if p.dev == nil {
		return
	}
	for _, node := range [2]int{p.a, p.b} {
		if k := pl.place[node]; k >= 0 && k != owner {
			f(k)
		}
	}
}

// queue gives the node with the fewest neighbours first; ties go by number.
type queue struct {
	neigh []map[int32]struct{}
	heap  []int32
	at    []int // place in heap, -1 when gone
}

func newQueue(neigh []map[int32]struct{}) *queue {
	q := &queue{neigh: neigh, at: make([]int, len(neigh))}
	q.at[0] = -1
	for i := 1; i < len(neigh); i++ {
		q.at[i] = len(q.heap)
		q.heap = append(q.heap, int32(i))
	}
	heap.Init(q)
	return q
}

func (q *queue) Len() int { return len(q.heap) }
func (q *queue) Less(i, j int) bool {
	a, b := q.heap[i], q.heap[j]
	if d := len(q.neigh[a]) - len(q.neigh[b]); d != 0 {
		return d < 0
	}
	return a < b
}

func (q *queue) Swap(i, j int) {
	q.heap[i], q.heap[j] = q.heap[j], q.heap[i]
	q.at[q.heap[i]], q.at[q.heap[j]] = i, j
}
func (q *queue) Push(any) { panic("network: the queue only empties") }
func (q *queue) Pop() any {
	last := len(q.heap) - 1
	k := q.heap[last]
	q.heap = q.heap[:last]
	q.at[k] = -1
	return k
}

func (q *queue) moved(node int32) {
	if q.at[node] >= 0 {
		heap.Fix(q, q.at[node])
	}
}

// tables are the numbers of an elimination. They stay from one to the next:
// only steps that are stale are taken again, each from the lines that it reads
// and from what earlier steps have added, so that nothing is ever subtracted.
type tables struct {
	plan   *plan
	parts  []part
	g      []float64 // by slot: conductance between a pair, as its first node left
	ground []float64 // by node: conductance to the reference, likewise
	inflow []float64 // by node: current forced into it, likewise
	pivot  []float64 // by node: the sum of its star when it left

	addG      []float64 // by target: what that step adds to the pair
	addGround []float64 // by place in neigh: what that step adds to the neighbour
	addInflow []float64

	stale []uint64 // a bit for each step
}

func (t *tables) mark(k int32) { t.stale[k>>6] |= 1 << (k & 63) }

// changed makes the steps stale that read a part.
func (t *tables) changed(p *part) { t.plan.readers(p, t.mark) }

// eliminate takes the stale steps again, in order. A step makes others stale
// only after it.
func (t *tables) eliminate() {
	for i := range t.stale {
		for t.stale[i] != 0 {
			bit := bits.TrailingZeros64(t.stale[i])
			t.stale[i] &^= 1 << bit
			t.step(int32(i<<6 + bit))
		}
	}
}

// assemble adds up what a step reads.
func (t *tables) assemble(k int32) {
	p := t.plan
	node := p.order[k]
	for _, slot := range p.slot[p.first[k]:p.first[k+1]] {
		t.g[slot] = 0
	}
	ground, inflow := 0.0, 0.0
	for _, i := range p.own.of(k) {
		part := &t.parts[i]
		switch {
		case part.slot == toReference:
			ground += part.now.slope
		case p.owner[part.slot] == k:
			t.g[part.slot] += part.now.slope
		}
		switch {
		case part.dev == nil:
		case part.a == int(node):
			inflow -= part.now.at0
		default:
			inflow += part.now.at0
		}
	}
	for _, x := range p.around.of(k) {
		ground += t.addGround[x]
		inflow += t.addInflow[x]
	}
	for _, target := range p.from.of(k) {
		t.g[p.target[target]] += t.addG[target]
	}
	t.ground[node], t.inflow[node] = ground, inflow
}

// step takes one node out: its star becomes a mesh of its neighbours.
func (t *tables) step(k int32) {
	t.assemble(k)
	p := t.plan
	node := p.order[k]
	lo, hi := p.first[k], p.first[k+1]
	star := t.ground[node]
	for _, slot := range p.slot[lo:hi] {
		star += t.g[slot]
	}
	t.pivot[node] = star
	toRef, in := 0.0, 0.0
	if star != 0 {
		toRef, in = t.ground[node]/star, t.inflow[node]/star
	}
	target := p.tfirst[k]
	for x := lo; x < hi; x++ {
		gx, share := t.g[p.slot[x]], 0.0
		if star != 0 {
			share = gx / star
		}
		addGround, addInflow := gx*toRef, gx*in
		if addGround != t.addGround[x] || addInflow != t.addInflow[x] {
			t.addGround[x], t.addInflow[x] = addGround, addInflow
			t.mark(p.place[p.neigh[x]])
		}
		for y := x + 1; y < hi; y++ {
			if add := share * t.g[p.slot[y]]; add != t.addG[target] {
				t.addG[target] = add
				t.mark(p.owner[p.target[target]])
			}
			target++
		}
	}
}

// respond finds the voltages that currents forced into the nodes alone would
// make, with the conductances of the last elimination. It uses up in.
func (t *tables) respond(in, volts []float64) {
	p := t.plan
	for k, node := range p.order {
		if star := t.pivot[node]; star != 0 && in[node] != 0 {
			for x := p.first[k]; x < p.first[k+1]; x++ {
				in[p.neigh[x]] += t.g[p.slot[x]] * (in[node] / star)
			}
		}
	}
	for k := len(p.order) - 1; k >= 0; k-- {
		node := p.order[k]
		sum := in[node]
		for x := p.first[k]; x < p.first[k+1]; x++ {
			sum += t.g[p.slot[x]] * volts[p.neigh[x]]
		}
		if star := t.pivot[node]; star != 0 {
			volts[node] = sum / star
		}
	}
}

// substitute finds the voltages of some steps, given last first. A node whose star joins only
// dead nodes, with no way to the reference, is dead itself.
func (t *tables) substitute(steps []int32, volts []float64, dead []bool) error {
	p := t.plan
	volts[0], dead[0] = 0, false
	for _, k := range steps {
		node := p.order[k]
		star := t.pivot[node]
		alive := t.ground[node] != 0
		sum := t.inflow[node]
		for x := p.first[k]; x < p.first[k+1]; x++ {
			other := p.neigh[x]
			if g := t.g[p.slot[x]]; g != 0 {
				sum += g * volts[other]
				alive = alive || !dead[other]
			}
		}
		dead[node] = !alive
		switch {
		case !alive && math.Abs(t.inflow[node]) > 1e-12:
			return &NoSolution{int(node), "a current is forced into a part that leads nowhere"}
		case !alive:
			volts[node] = 0
		case star == 0 || math.IsNaN(sum/star) || math.IsInf(sum/star, 0):
			return &NoSolution{int(node), "the conductances cancel out"}
		default:
			volts[node] = sum / star
		}
	}
	return nil
}
