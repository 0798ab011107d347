package diagram

import (
	"fmt"
	"slices"
	"strings"

	"loomproof/checks/design"
)

// The measures of the part above the first bus.
const (
	powerFall    = 212.0
	sourceHeight = 30.0
	sourceAt     = 50.0  // a source's plus, below the top
	widestTower  = 170.0 // between what stands beside each other
	wireLength   = 18.0  // of all wires but the last, which takes what is left
)

// A tower is what stands in one column above the first bus: a source with its way
// to a bus or a load, or a load that branches off another tower.
type tower struct {
	source *design.Source
	load   *design.Circuit // what it ends in; nil if it ends on a bus
	way    []string        // terminals from top to bottom
}

// towers are what stands above the first bus, from left to right. What branches off
// a tower stands beside it.
func (p *picture) towers() (out []tower) {
	tapped := map[string]bool{}
	taps := func(way []string) {
		for _, f := range p.d.Feeders {
			if f.Load == nil || f.Bus != "" || tapped[f.Name] {
				continue
			}
			if branch := p.way(f.Name+".load+", func(t string) bool { return slices.Contains(way, t) }); branch != nil {
				slices.Reverse(branch)
				tapped[f.Name] = true
				out = append(out, tower{load: f, way: branch})
			}
		}
	}
	for _, s := range p.d.Sources {
		if s.Plus != "" { // clipped on
			out = append(out, tower{source: s})
			continue
		}
		plus := s.Name + "+"
		if way := p.way(plus, p.d.IsBus); way != nil {
			out = append(out, tower{source: s, way: way})
			drawn := slices.Clone(way)
			for _, b := range p.buses { // other buses that it feeds, past no bus
				branch := p.way(plus, func(t string) bool { return t == b.Name })
				if branch == nil || slices.Contains(drawn, b.Name) || p.feeding(b.Name) != nil {
					continue
				}
				from := 0
				for i, t := range branch {
					if slices.Contains(drawn, t) {
						from = i
					}
				}
				out = append(out, tower{way: branch[from:]})
				drawn = append(drawn, branch[from:]...)
			}
			taps(drawn)
			continue
		}
		at := len(out)
		taps([]string{plus})
		if len(out) == at {
			out = append(out, tower{source: s, way: []string{plus}})
			continue
		}
		out[at].source = s
	}
	slices.SortStableFunc(out, func(a, b tower) int { // what is clipped on stands first
		clipped := func(t tower) int {
			if t.source != nil && t.source.Plus != "" {
				return 0
			}
			return 1
		}
		return clipped(a) - clipped(b)
	})
	return out
}

// way is the shortest way from a terminal to one that fits, as [design.Design.Path],
// past no bus.
func (p *picture) way(from string, fits func(string) bool) []string {
	before := map[string]string{from: ""}
	for queue := []string{from}; len(queue) > 0; queue = queue[1:] {
		at := queue[0]
		if fits(at) {
			var out []string
			for t := at; t != ""; t = before[t] {
				out = append(out, t)
			}
			slices.Reverse(out)
			return out
		}
		if p.d.IsBus(at) {
			continue
		}
		for _, next := range p.d.Beside(at) {
			if _, seen := before[next]; !seen {
				before[next] = at
				queue = append(queue, next)
			}
		}
	}
	return nil
}

// power draws the sources, between top and the first bar.
func (p *picture) power(top, bar float64) {
	towers := p.towers()
	apart := min(widestTower, (width-2*margin)/float64(max(1, len(towers))))
	clipped := []int{}
	for i, t := range towers {
		x := margin + 20 + float64(i)*apart
		switch {
		case t.source != nil && t.source.Plus != "":
			clipped = append(clipped, i)
		case t.source != nil:
			p.sourceTower(t, x, top+sourceAt, bar, apart)
		default:
			from := p.at[t.way[0]]
			p.path("", "M%.1f %.1fH%.1f", from.x, from.y, x)
			fmt.Fprintf(&p.out, `<circle class="mark" cx="%.1f" cy="%.1f" r="2.4"/>`, from.x, from.y)
			p.drop(t, x, from.y, bar)
		}
	}
	for _, i := range clipped { // when what they are clipped to is drawn
		s, x := towers[i].source, margin+20+float64(i)*apart
		p.source(s, x, top+sourceAt)
		p.nameSource(s, x, top+sourceAt, apart)
		if to, ok := p.at[s.Plus]; ok {
			p.path("dash", "M%.1f %.1fV%.1fH%.1f", x, top+sourceAt, to.y+8, to.x)
		}
		p.text(x-14, top+sourceAt+22, "small", "clipped to %s, %s", s.Plus, s.Minus)
		if s.Kind == design.BenchSupply {
			p.text(x-14, top+sourceAt+34, "small", "for the bench only")
		}
	}
}

// nameSource says what a source is, on its right, as far as there is room.
func (p *picture) nameSource(s *design.Source, x, y, room float64) {
	p.text(x+20, y-sourceHeight+10, "", "%s", shorten(s.Name, int((room-24)/6.4)))
	p.text(x+20, y-sourceHeight+22, "small", "%s", shorten(fmt.Sprintf("%v, %v", s.Volts, s.Resistance), int((room-24)/5.2)))
}

// sourceTower draws a source with its way down and its minus.
func (p *picture) sourceTower(t tower, x, y, bar, room float64) {
	s := t.source
	p.source(s, x, y)
	p.nameSource(s, x, y, room)
	top := y - sourceHeight
	if back := p.way(s.Name+"-", p.d.IsGround); back != nil {
		p.path("", "M%.1f %.1fH%.1fV%.1f", x, top, x-16, top+6)
		p.ground(x-16, top+6)
		p.text(x-8, top-4, "small", "%s", strings.TrimPrefix(p.gaugeOf(back)+" to "+back[len(back)-1], " to "))
	}
	p.drop(t, x, y, bar)
}

// drop draws a tower below its source, or below where it branches off.
func (p *picture) drop(t tower, x, y, bar float64) {
	end := bar
	bus := t.way[len(t.way)-1]
	switch {
	case t.load != nil:
		end = bar - rowRise - 22
	case !p.d.IsBus(bus):
		end = y
	case bus != p.buses[0].Name:
		end = bar - rowRise - 34
		p.path("", "M%.1f %.1fl-5 -9h10Z", x, end+9)
		p.text(x+8, end+8, "small", "to %s", p.busTitle(bus))
	}
	names := p.owners(t)
	for i, n := range names {
		p.open("drawn", n)
		if t.load == nil {
			p.verdictAt(p.verdicts[n], x-26, y+24+16*float64(i))
		}
	}
	p.down(t, x, y, end)
	for range names {
		p.out.WriteString("</g>")
	}
}

// owners are the feeders that a tower is made of.
func (p *picture) owners(t tower) (out []string) {
	if t.load != nil {
		out = append(out, t.load.Name)
	}
	for i := 1; i < len(t.way); i++ {
		k := p.partOf(t.way[i-1], t.way[i])
		if r := p.run(t.way[i-1], t.way[i]); r != nil {
			k = r.Circuit
		}
		if k != nil && !slices.Contains(out, k.Name) {
			out = append(out, k.Name)
		}
	}
	return out
}

// down draws a way from y to end, and what it ends in.
func (p *picture) down(t tower, x, y, end float64) {
	parts := 0
	for i := 1; i < len(t.way); i++ {
		if p.partOf(t.way[i-1], t.way[i]) != nil {
			parts++
		}
	}
	if t.load != nil {
		end -= 2*loadRise + 14
	}
	wires := len(t.way) - 1 - parts
	last := end - y - partHeight*float64(parts) - wireLength*float64(max(0, wires-1))
	p.at[t.way[0]] = place{x, y}
	for i := 1; i < len(t.way); i++ {
		a, b := t.way[i-1], t.way[i]
		if k := p.partOf(a, b); k != nil {
			switch {
			case strings.Contains(a+b, ".shunt."):
				p.shunt(k, x, y)
			case strings.Contains(a+b, ".switch."):
				p.switched(k, x, y)
				label := k.Switch.Label
				if label == "" {
					label = k.Called()
				}
				if k.Switch.Coil > 0 {
					label += ", coil " + amperes(k.Switch.Coil)
				}
				p.text(x+8, y+16, "small", "%s", shorten(label, 28))
			default:
				p.protector(k, x, y)
				p.text(x+8, y+16, "small", "%s", strings.TrimSpace(amperes(k.Protector().Rating)+" "+k.Protector().Label))
			}
			y += partHeight
		} else {
			room := wireLength
			if wires--; wires == 0 {
				room = last
			}
			p.path("", "M%.1f %.1fV%.1f", x, y, y+room)
			if r := p.run(a, b); r != nil {
				p.text(x+5, y+room/2+4, "small", "%v", r.Gauge)
			}
			y += room
		}
		p.at[b] = place{x, y}
	}
	if y < end { // nothing but parts
		p.path("", "M%.1f %.1fV%.1f", x, y, end)
		y = end
	}
	if t.load == nil {
		return
	}
	p.load(t.load, x, y+loadRise)
	p.text(x+14, y+loadRise, "small", "%s", shorten(t.load.Called(), 20))
	back := p.d.Return(t.load)
	p.path("", "M%.1f %.1fv6", x, y+2*loadRise)
	where := "own return"
	if back != nil {
		p.ground(x, y+2*loadRise+6)
		where = back[len(back)-1]
	}
	p.text(x+14, y+loadRise+12, "small", "%v, %s", t.load.Load.Draw, where)
	p.verdictAt(p.verdicts[t.load.Name], x-22, y+2)
}

// partOf is whose protector, switch or shunt lies between two terminals; nil if none
// does.
func (p *picture) partOf(a, b string) *design.Circuit {
	if p.run(a, b) != nil {
		return nil
	}
	for _, t := range []string{a, b} {
		if x := p.d.Terminal(t); x != nil && x.Circuit != nil {
			return x.Circuit
		}
	}
	return nil
}

// run is the wire between two terminals; nil if there is none.
func (p *picture) run(a, b string) *design.Run {
	t := p.d.Terminal(a)
	if t == nil {
		return nil
	}
	for _, r := range t.Runs {
		if r.From == a && r.To == b || r.From == b && r.To == a {
			return r
		}
	}
	return nil
}

// gaugeOf is the wire that a way begins with.
func (p *picture) gaugeOf(way []string) string {
	if len(way) > 1 {
		if r := p.run(way[0], way[1]); r != nil {
			return r.Gauge.String()
		}
	}
	return ""
}
