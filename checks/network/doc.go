// Package network solves direct-current networks: resistors, sources with
// internal resistance, current limit and isolating diode, and the loads of an
// aircraft. It knows nodes and ohms, and no aircraft.
//
//	n := network.New(3)                        // nodes 0, 1, 2; node 0 is the reference
//	n.AddSource(1, 0, network.Source{Volts: 14, Ohms: 0.01})
//	wire := n.AddResistor(1, 2, 0.025)
//	n.AddLoad(2, 0, network.Load{Kind: network.Power, Draw: 28, At: 14})
//	s, err := n.Solve()
//	s.Volts(2); s.Current(wire)
//
// # Method
//
// The node equations are solved by star-mesh elimination: a node is taken out
// and its star of conductances replaced by the mesh that its neighbours see
// (the generalised star-delta transformation). Each new conductance is a sum
// and a product of positive ones, so nothing cancels: a microvolt across a good
// joint in a 28 V network is as exact as the 28 V, and a part of the network
// that hangs in the air is found because its conductance to the reference is
// exactly zero, not small.
//
// Nodes leave in order of fewest neighbours, which for a tree (nearly every
// loom is one) adds no conductance at all: time and memory grow with the
// number of parts. Loads and sources that are not resistors are replaced by
// their tangent at the last voltage, and the whole repeated until no voltage
// moves (Newton's method); a load that draws constant power has a negative
// conductance there.
//
// What a step of the elimination has added to its neighbours is kept. A step
// whose inputs have changed (a breaker opened, a tangent turned) is taken again,
// and those after it that it reaches; the rest stands. A round of the search
// thus works on the nodes of loads and sources and on the way from there to the
// reference, and a solution after one change starts from the last one.
package network
