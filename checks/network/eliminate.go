package network

import (
	"container/heap"
	"errors"
	"fmt"
	"math"
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
	work   *tables // the numbers
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
	pl.work = &tables{
		plan: pl, g: make([]float64, len(s.slots)), ground: make([]float64, n.nodes),
		inflow: make([]float64, n.nodes), pivot: make([]float64, n.nodes),
	}
	return pl
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

// tables are the numbers of one elimination.
type tables struct {
	plan   *plan
	g      []float64 // by slot: conductance between a pair
	ground []float64 // by node: conductance to the reference
	inflow []float64 // by node: current forced into it
	pivot  []float64 // by node: the sum of its star when it left
}

func (t *tables) clear() {
	clear(t.g)
	clear(t.ground)
	clear(t.inflow)
}

func (t *tables) conductance(p *part, g float64) {
	switch p.slot {
	case toItself:
	case toReference:
		t.ground[p.a+p.b] += g // one of the two is 0
	default:
		t.g[p.slot] += g
	}
}

func (t *tables) current(p *part, amperes float64) {
	t.inflow[p.a] -= amperes
	t.inflow[p.b] += amperes
}

// eliminate takes the nodes out one by one.
func (t *tables) eliminate() {
	p := t.plan
	for k, node := range p.order {
		lo, hi := p.first[k], p.first[k+1]
		star := t.ground[node]
		for _, slot := range p.slot[lo:hi] {
			star += t.g[slot]
		}
		t.pivot[node] = star
		if star == 0 {
			continue
		}
		toRef, in := t.ground[node]/star, t.inflow[node]/star
		target := p.tfirst[k]
		for x := lo; x < hi; x++ {
			gx := t.g[p.slot[x]]
			if gx == 0 {
				target += hi - x - 1
				continue
			}
			other := p.neigh[x]
			t.ground[other] += gx * toRef
			t.inflow[other] += gx * in
			share := gx / star
			for y := x + 1; y < hi; y++ {
				t.g[p.target[target]] += share * t.g[p.slot[y]]
				target++
			}
		}
	}
}

// substitute finds the voltages, last node first. A node whose star joins only
// dead nodes, with no way to the reference, is dead itself.
func (t *tables) substitute(volts []float64, dead []bool) error {
	p := t.plan
	volts[0], dead[0] = 0, false
	for k := len(p.order) - 1; k >= 0; k-- {
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
