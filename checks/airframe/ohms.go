package airframe

import (
	"fmt"
	"math"

	"loomproof/checks/design"
	"loomproof/checks/network"
	"loomproof/checks/wire"
)

// addQuiet adds what never carries power: senders and antenna leads. It is no
// part of the network that is solved for voltages.
func (m *Model) addQuiet() {
	for _, s := range m.Design.Senders {
		ohms, tolerance := s.At(float64(*m.Design.Aircraft.Ambient)), float64(s.Tolerance)
		m.addToQuiet(&Part{
			Kind: Sender, Name: s.Name, From: s.Signal(), To: s.Ground,
			Ohms:   wire.Spread{Least: ohms * (1 - tolerance), Usual: ohms, Most: ohms * (1 + tolerance)},
			Source: wire.Citation{Text: "the design's own table", Status: wire.OfDesign},
		})
	}
	for _, c := range m.Design.Coaxes {
		length := float64(c.Length)
		centre := wire.CoaxCentre.Scale(length).Add(wire.Contact.Scale(2))
		shield := wire.CoaxShield.Scale(length).Add(wire.Contact.Scale(2))
		m.addToQuiet(&Part{Kind: Coax, Name: c.Centre(), From: c.Centre(), To: c.FarCentre(), Ohms: centre, Source: practice})
		m.addToQuiet(&Part{Kind: Coax, Name: c.Shield(), From: c.Shield(), To: c.FarShield(), Ohms: shield, Source: practice})
		m.addToQuiet(&Part{Kind: Bond, Name: c.Base(), From: c.Base(), To: "", Ohms: wire.GroundPoint, Source: wire.BondingRule})
	}
}

// quietTerminals are those of senders and antenna leads.
func quietTerminals(d *design.Design) map[string]bool {
	quiet := map[string]bool{}
	for _, s := range d.Senders {
		quiet[s.Signal()] = true
	}
	for _, c := range d.Coaxes {
		for _, t := range []string{c.Centre(), c.Shield(), c.FarCentre(), c.FarShield(), c.Base()} {
			quiet[t] = true
		}
	}
	return quiet
}

func (m *Model) addToQuiet(p *Part) {
	p.value = p.Ohms.Usual
	m.quiet = append(m.quiet, p)
	m.name(p)
}

// clipOhms is a clip of the lead that ties points together for a test.
// Common practice; no published source.
const clipOhms = 1e-3

// Ohms is what an ohmmeter shows between two terminals in a state, with no
// source connected and leads of no resistance: +Inf where nothing joins them.
// The terminals in joined are clipped together with black; "" is the airframe.
func (m *Model) Ohms(s State, red, black string, joined ...string) (float64, error) {
	b := bare{net: network.New(1), node: map[string]int{black: 0}}
	b.at("")
	for _, t := range append([]string{red, black}, joined...) {
		if t != "" && m.Design.Terminal(t) == nil {
			return 0, fmt.Errorf("there is no terminal %q", t)
		}
	}
	if red == black {
		return 0, nil
	}
	old := m.state
	m.state = s
	defer func() { m.state = old }()
	for _, p := range append(m.parts[:len(m.parts):len(m.parts)], m.quiet...) {
		if p.Kind != Clip { // what is clipped on for a power-on is not there
			b.net.AddResistor(b.at(p.From), b.at(p.To), p.in(s))
		}
	}
	for _, l := range m.loads {
		plus, minus := m.net.Ends(l.part)
		b.net.AddLoad(b.at(m.terminal(plus)), b.at(m.terminal(minus)), m.loadNow(l))
	}
	for _, t := range joined {
		b.net.AddResistor(0, b.at(t), clipOhms)
	}
	// The ohmmeter: a volt behind an ohm.
	meter := b.net.AddSource(b.at(red), 0, network.Source{Volts: 1, Ohms: 1})
	solved, err := b.net.Solve()
	if err != nil {
		return 0, fmt.Errorf("airframe: %w", err)
	}
	amperes := -solved.Current(meter)
	if amperes < 1e-12 {
		return math.Inf(1), nil
	}
	return 1/amperes - 1, nil
}

// bare is a network without sources, made for one question.
type bare struct {
	net  *network.Network
	node map[string]int
}

func (b *bare) at(terminal string) int {
	n, ok := b.node[terminal]
	if !ok {
		n = b.net.AddNode()
		b.node[terminal] = n
	}
	return n
}

// terminal is the name of a node of the power network.
func (m *Model) terminal(node int) string {
	for name, n := range m.node {
		if n == node {
			return name
		}
	}
	return ""
}

// MostOhms is the most that an ohmmeter shows between two terminals of a sound
// aircraft in a state.
func (m *Model) MostOhms(s State, red, black string) (float64, error) {
	return m.ohmsWith(func(r wire.Spread) float64 { return r.Most }, s, red, black)
}

// LeastOhms is the least.
func (m *Model) LeastOhms(s State, red, black string) (float64, error) {
	return m.ohmsWith(func(r wire.Spread) float64 { return r.Least }, s, red, black)
}

// ohmsWith is what an ohmmeter shows with one end of every part's spread.
func (m *Model) ohmsWith(end func(wire.Spread) float64, s State, red, black string) (float64, error) {
	all := append(m.parts[:len(m.parts):len(m.parts)], m.quiet...)
	had := make([]float64, len(all))
	for i, p := range all {
		had[i], p.value = p.value, end(p.Ohms)
	}
	defer func() {
		for i, p := range all {
			p.value = had[i]
		}
	}()
	return m.Ohms(s, red, black)
}
