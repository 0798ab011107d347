// Package wire holds the published tables and formulas of aircraft wiring:
// wire, what may guard it, what it may carry, what it may drop, and the
// resistance of the parts it meets. Each row has its source beside it.
//
//	g, _ := wire.ParseGauge("18 AWG")
//	g.MaxResistance(20)  // Ω/m, the largest a good wire may have
//
// Aircraft wire is not solid AWG: from 16 to 10 AWG it has a fifth to a
// quarter more resistance than the solid-copper formula says. Printed
// resistances are maxima, so a good wire measures a little lower.
package wire
