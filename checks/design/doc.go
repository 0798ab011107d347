// Package design reads the design file: what should be in the aircraft.
//
//	d, err := design.Read("marsh-hen.yaml")
//
// A design is sources, buses, ground points, connectors, feeders and circuits.
// A circuit hangs by its protector on a bus; wire runs go from terminal to
// terminal; each terminal is a point where a reading can be taken.
//
// # Terminals
//
// A terminal is named by what it belongs to:
//
//	main               a bus (or an inline splice)
//	battery+ battery-  the two terminals of a source
//	G1                 a ground point
//	J1.3 P1.3          a contact of a connector: receptacle side, plug side
//	radio.breaker      load side of the circuit's protector
//	radio.switch.in    a circuit's switch
//	radio.switch.out
//	radio.load+        the terminals of a circuit's load
//	radio.load-
//
// Inside its own circuit the circuit's name is left out: "breaker", "load+".
//
// Every mistake that can be seen in the file is told at once, each with its
// line and column and with what to write instead; see [Errors].
package design
