// Package trend holds this year's worksheet against earlier ones: what has crept,
// by how much, and when it would meet its limit.
//
//	a, err := trend.Read(lastYears)          // *procedure.Sheet and its history
//	b, err := trend.Read(thisYears)
//	c := trend.Compare(a, b, trend.UsualRate)
//	c.Changes   // every quantity, the surest change first
//	c.Groups    // changes that share a cause, said as one
//	trend.Order(sheets, names)               // what to ask for first next time
//
// # The same conditions
//
// A reading depends on the day: how warm the wire is, what the source gives, what
// the load draws. Each is brought to the design's own conditions by the one model
// (package airframe), which is solved twice: as the design has it, and as it was
// on the day. A drop, or a current, is multiplied by the ratio of the two; a
// voltage at a load or bus has their difference added.
//
//   - Temperature: copper changes by 0.393 % for each kelvin (package wire). Where a
//     worksheet has no temperature of the air, it is taken as the design's with a
//     standard uncertainty of 6 K, in each worksheet for itself and for all its
//     quantities alike.
//   - Source voltage: what the supply was set to.
//   - Load current: what was read at that circuit. Where nobody read it, the load's
//     own draw is taken as the same in both years, but for [loadOwn].
//
// A drop is told as a resistance: divided by the current that the design has
// there. So 12 mΩ are 12 mΩ, whatever the load drew.
//
// # The uncertainty of a change
//
// Each value carries what it has for itself, and what it shares, by the cause: the
// gain of an instrument on a range, the day's temperature, the day's source, a
// current that several values were divided by. In a change, a cause that both
// worksheets share (the same instrument by its serial number, on the same range,
// not calibrated anew between them) acts with the difference of its two weights,
// and nearly cancels; any other acts twice. An instrument without a serial number
// is never taken for the same.
//
// What a sound part does between two years that means nothing (a contact mated
// again, a breaker worked) is in the uncertainty, too: see [Repeat].
//
// # Many comparisons
//
// A worksheet has a hundred quantities; at 5 % each, five of them would cry wolf
// each year. Holm's procedure keeps the probability of even one false alarm, over
// all comparisons of two worksheets together, at or below the stated rate,
// whatever they have in common ([Holm]). Benjamini and Hochberg's keeps the share
// of false ones among the alarms, and finds more ([BenjaminiHochberg]).
//
// # Trend
//
// With three worksheets or more, a straight line is fitted over the years by
// weighted least squares (package fit), widened where the scatter is more than the
// uncertainties explain. It meets its limit where the line does; the interval is
// where the line's own 95 % band does, and may be open: "not before 2031".
package trend
