// Package airframe is the one model of the aircraft's electrics: the design as
// a direct-current network.
//
//	m := airframe.New(design)
//	e, err := m.Expect(state, airframe.Between("main", "battery-"))
//	// e.Value: the design value; e.Least, e.Most: what sound parts can show
//
// Healthy, it gives design values. With a fault put in (see [Fault]) it stands
// behind the emulated instruments. Both are the same network, so what proves it
// right stands outside: an independent circuit simulator, in the tests.
//
// Every run is one resistance: its wire and the two joints at its ends. The
// airframe is the reference; each ground point reaches it through its bond.
//
// # What sound parts can show
//
// Each part has a least, a usual and a most: wire is never above the printed
// maximum, a joint never above what a sound one may show, a load never further
// from its draw than its tolerance. [Model.Expect] moves every part to that end
// of its span which moves the reading most, found from the sign of the
// reading's sensitivity, and solves the network again: once for the least,
// once for the most. The bounds are exact where the reading rises or falls
// throughout the span of each part, as it does for the drops, voltages and
// currents of a loom.
package airframe
