// Package desk is the desk check of a design: is the design itself sound,
// before any wire is cut?
//
//	report := desk.Check(d)
//	report.Text(os.Stdout)      // every finding: place, numbers, rule
//	report.Errors()             // how many are errors
//	choices := desk.Wires(d)    // the lightest wire that meets every rule
//
// Each rule is one small function over a study of the design; [Rules] lists
// them. A finding has its place in the design file, the number that the design
// has, the number that the rule needs, and the rule's citation with its status:
// a rule that was not read in its document warns, and does not say error.
//
// # How drops are worked out
//
// The bus is held at the nominal voltage. A circuit's way goes from there to
// its load and back to the airframe; its drop is the sum of resistance times
// current over every part of the way, where parts that several circuits share
// carry the current of all. Wire counts with its largest printed resistance at
// the temperature that its current makes (by the root of the current: the formula is
// from memory, and says more than physics does, see [wire.Gauge.Rise]), joints, contacts, switches and
// protectors with what is usual. The loads' currents follow their voltages, and
// the whole is repeated until it stands. Where two runs lie in parallel, the
// check counts on the first alone.
package desk
