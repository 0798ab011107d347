// Package wirelist turns a spreadsheet wire list into a design file.
//
//	c, err := wirelist.Convert("wires.csv", text, wirelist.Options{Name: "Marsh Hen", Nominal: 14})
//	os.WriteFile("marsh-hen.yaml", c.Design, 0o644)
//	c.Notes   // what could not be read, what was guessed, what is missing
//
// The design always parses with design.Parse. Every row of the list is in it,
// word for word, in a comment: above the run that was made of it, or among the
// rows that could not be placed. Every value that the list does not give is
// marked CHECK THIS.
//
// # The file
//
// Comma, semicolon, tab or bar between the columns; UTF-8, UTF-16 or Latin-1.
// The first row that has a column for each end of the wire is the header; the
// columns stand in any order, under the names that people give them (see
// synonyms). A number needs its unit, in the cell or in the header: "6 ft", or
// "Length (ft)" and 6. Blank rows, rows that begin with # or //, and rows of
// totals are no wires. A row with a single word or two in it is a heading: it
// names the circuit of the rows below that name none.
//
// # The guesses
//
// What an end is, is guessed from its name, the first that fits:
//
//	J1-3 P1.3 J1 pin 3             contact of a connector, J1 mating with P1
//	... COIL, ALT FIELD            a load
//	CB CB3 BREAKER FUSE F3         the protector
//	CONTACTOR RELAY SOLENOID       the switch, of kind contactor
//	SW SW1 SWITCH MASTER           the switch
//	GND G1 EARTH ENGINE GROUND     a ground point
//	BUS BUSBAR, MAIN, AVIONICS     a bus
//	SPLICE SP1 TB1-2               a splice
//	BATT+ BATTERY ALT GENERATOR    a source
//	anything else                  a load; RADIO GND is the radio's minus
//
// A wire written to a switch comes in, one written from it goes out; if all are
// written the same way, the first comes in. A load's terminal is its minus if
// the wire leads to a ground point before it leads to a bus, a protector or a
// source. A second load of a circuit becomes a circuit of its own without a
// protector; a second switch or protector becomes a splice. A row without a
// circuit belongs to the circuit that shares its switch, protector, load or
// contact. A protector hangs directly on its bus, so that a jumper from one to
// the other is no run but says which bus it is; a wire from a bus to the load of
// a circuit that names no protector begins at one that was left out.
//
// # What stands in for what is missing
//
// Gauge 22 AWG and length 3 m, which make the drop look worse than it is likely
// to be. A protector as large as table 11-3 of AC 43.13-1B allows for the
// thinnest wire of its circuit. A draw of 80 % of the protector's rating, as
// much as it can be expected to carry for long. All of these are common
// practice, and no figures of an aircraft.
package wirelist
