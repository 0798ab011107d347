package design

import "slices"

// Feed is the way that a circuit's current takes from its bus to its load's
// plus terminal: the terminals in order, the bus first. It is nil if there is
// none.
func (d *Design) Feed(k *Circuit) []string {
	if k.Load == nil || k.Bus == "" {
		return nil
	}
	// From the load: a bus has many neighbours, a load's terminal one.
	way := d.path(k.Name+".load+", func(t string) bool { return t == k.Bus })
	slices.Reverse(way)
	return way
}

// Return is the way back from a circuit's load to the first ground point, the
// load's minus terminal first. It is nil if there is none.
func (d *Design) Return(k *Circuit) []string {
	if k.Load == nil {
		return nil
	}
	return d.path(k.Name+".load-", func(t string) bool { return d.index.grounds[t] != nil })
}

// Path is the shortest way from one terminal to another over runs, contacts,
// switches, shunts and protectors, both ends included; nil if there is none.
func (d *Design) Path(from, to string) []string {
	return d.path(from, func(t string) bool { return t == to })
}

// path is the shortest way from a terminal to one that fits, over runs,
// contacts, switches, shunts and protectors, not over loads, sources or the
// airframe.
func (d *Design) path(from string, fits func(string) bool) []string {
	before := map[string]string{from: ""}
	for queue := []string{from}; len(queue) > 0; queue = queue[1:] {
		at := queue[0]
		if fits(at) {
			var way []string
			for t := at; t != ""; t = before[t] {
				way = append(way, t)
			}
			slices.Reverse(way)
			return way
		}
		for _, next := range d.beside(at) {
			if _, seen := before[next]; !seen {
				before[next] = at
				queue = append(queue, next)
			}
		}
	}
	return nil
}

// beside lists the terminals one part away.
func (d *Design) beside(terminal string) []string { return d.index.beside[terminal] }

// Beside lists the terminals that one wire, contact, switch, shunt or protector
// joins to this one: not over loads, sources or the airframe. The list is the
// design's own and must not be changed.
func (d *Design) Beside(terminal string) []string { return d.beside(terminal) }

// IsGround tells whether a terminal is a ground point.
func (d *Design) IsGround(terminal string) bool { return d.index.grounds[terminal] != nil }

// IsBus tells whether a terminal is a bus.
func (d *Design) IsBus(terminal string) bool { return d.index.buses[terminal] != nil }

// join notes that a part lies between two terminals.
func (x *index) join(a, b string) {
	x.beside[a] = append(x.beside[a], b)
	x.beside[b] = append(x.beside[b], a)
}
