package plan

import (
	"math/bits"
	"slices"
	"strings"
)

// Moves counts the probe moves along an order, beginning with the red probe lifted
// and the black one at the reference.
func Moves(order []Reading, reference string) int {
	at, n := Reading{Black: reference}, 0
	for _, r := range order {
		n += between(at, r)
		at = r
	}
	return n
}

// between is how many probes move from one reading to the next.
func between(a, b Reading) int {
	n := 0
	if a.Red != b.Red {
		n++
	}
	if a.Black != b.Black {
		n++
	}
	return n
}

// exactUpTo is how many readings are ordered by looking at every order: the work
// doubles with each further one, some milliseconds at this size.
const exactUpTo = 12

// Order puts readings into an order with few probe moves, beginning with the black
// probe at the reference. Up to twelve readings it is one of the best; above, it
// goes black point by black point and then improves what can be improved by taking
// a stretch out, turning it round and putting it elsewhere.
func Order(readings []Reading, reference string) []Reading {
	if len(readings) <= exactUpTo {
		return exact(readings, reference)
	}
	return improve(byBlack(readings, reference), reference)
}

// exact is dynamic programming over the sets of readings done and the last of
// them (Held and Karp 1962; from memory).
func exact(readings []Reading, reference string) []Reading {
	n := len(readings)
	if n == 0 {
		return nil
	}
	const never = 1 << 30
	cost := make([]int, n<<n)
	from := make([]int8, n<<n)
	for i := range cost {
		cost[i] = never
	}
	for i, r := range readings {
		cost[(1<<i)*n+i] = between(Reading{Black: reference}, r)
		from[(1<<i)*n+i] = -1
	}
	for set := 1; set < 1<<n; set++ {
		for last := range n {
			had := cost[set*n+last]
			if had == never {
				continue
			}
			for next := range n {
				if set&(1<<next) != 0 {
					continue
				}
				to := (set|1<<next)*n + next
				if c := had + between(readings[last], readings[next]); c < cost[to] {
					cost[to], from[to] = c, int8(last)
				}
			}
		}
	}
	set, last := 1<<n-1, 0
	for i := range n {
		if cost[set*n+i] < cost[set*n+last] {
			last = i
		}
	}
	order := make([]Reading, bits.OnesCount(uint(set)))
	for i := n - 1; i >= 0; i-- {
		order[i] = readings[last]
		before := int(from[set*n+last])
		set &^= 1 << last
		last = before
	}
	return order
}

// byBlack leaves the black probe where it is as long as it is of use there.
func byBlack(readings []Reading, reference string) []Reading {
	order := slices.Clone(readings)
	slices.SortStableFunc(order, func(a, b Reading) int {
		switch {
		case a.Black == b.Black:
			return strings.Compare(a.Red, b.Red)
		case a.Black == reference:
			return -1
		case b.Black == reference:
			return 1
		}
		return strings.Compare(a.Black, b.Black)
	})
	return order
}

// longest is how long a stretch is taken out at most: longer ones save little and
// cost much.
const longest = 6

// improve moves stretches of the order elsewhere, either way round, as long as
// that saves a move.
func improve(order []Reading, reference string) []Reading {
	best := Moves(order, reference)
	for {
		better := false
		for from := range order {
			for to := from + 1; to <= min(from+longest, len(order)); to++ {
				if o, c := placed(order, from, to, best, reference); o != nil {
					order, best, better = o, c, true
				}
			}
		}
		if !better {
			return order
		}
	}
}

// placed tries a stretch at every other place; nil if none is better.
func placed(order []Reading, from, to, best int, reference string) ([]Reading, int) {
	stretch := slices.Clone(order[from:to])
	rest := append(slices.Clone(order[:from]), order[to:]...)
	for range 2 {
		for at := 0; at <= len(rest); at++ {
			o := slices.Insert(slices.Clone(rest), at, stretch...)
			if c := Moves(o, reference); c < best {
				return o, c
			}
		}
		slices.Reverse(stretch)
	}
	return nil, 0
}
