// Package faultfind says which fault explains the readings of a worksheet, and
// where to put the probe next.
//
//	c, err := faultfind.FromRecords(records)       // the readings, each with its state
//	a, err := faultfind.Find(c, faultfind.Usual()) // explanations, by probability
//	next, err := a.Next()                          // what to measure, and what each outcome means
//
// # Explanations
//
// An explanation is one fault, or two together, of a kind and at a place, with a
// size where the kind has one: a joint, contact, ground point, breaker or switch
// with added resistance; a wire of another gauge or length than drawn; a breaker
// of another rating; swapped circuits or pins; a broken wire; a load that draws
// too much, too little or nothing; a short or leak to the airframe; something
// that draws current from a bus; a weak source; an instrument whose gain or zero
// is off, or that is connected wrongly. Two more are always there: a sound
// aircraft, and "nothing here explains it".
//
// # Likelihood
//
// Readings y (n of them) are taken as
//
//	y = f(h, θ) + J ν + ε
//
// f is the one model (package airframe), solved with the fault h of size θ in,
// each reading in the state that it was taken in. ν are what may differ in a
// sound aircraft: each part's resistance, each load's draw, each source's
// voltage, and the gain of each instrument on each range. J are the model's
// slopes for them about f, worked out with the fault in. ε is what one reading
// has for itself: digits, range, noise. So
//
//	y ~ N(f, S),  S = R + J D Jᵀ
//
// with R and D diagonal: readings that hang on the same load, wire or instrument
// are correlated, and their difference is known better than either. J is sparse
// (most parts do not touch most readings); S is factored once (Cholesky) for each
// linearisation.
//
// A sound part is taken to lie below its usual value as often as above it, and
// anywhere between that and its least or most; D has the variance of that, and f
// its mean. (Type B evaluation, JCGM 100:2008 4.3; the spans are those of
// packages wire and airframe.)
//
// # Sizes
//
// A fault's size is marginalised: the probability of the readings is the mean
// over all sizes, weighted by how common they are (evenly on the logarithm,
// between stated ends). Where a fault acts as one conductance, which all but
// swaps do, the readings move along one direction d by an amplitude a
// (Sherman-Morrison: a change of one conductance is a change of rank one), and
//
//	log p(y | a) = log p(y | sound) + a dᵀS⁻¹r − a²/2 dᵀS⁻¹d,   r = y − f
//
// is a parabola in a: its integral over each cell of sizes is a difference of
// normal distributions, exact however narrow it is. That screens every kind at
// every place. Those within [Keep] of the best, in nats, are then solved again
// with the fault in, S and all, and fitted by Gauss-Newton.
//
// # Pairs
//
// For two faults the parabola has two amplitudes. Its top, at whatever sizes, is
// worked out for each pair of places from three scalar products; with the best
// priors there it bounds what any two faults at the two places can reach. Pairs
// whose bound is more than half of [Keep] below the best single fault are left out, and
// so are those that do no better than one of their two alone: the pruning loses
// nothing of the linear search. In aircraft with more than [allPairs] places one
// of the two must be among the first by what the readings say of it alone.
//
// # Nothing here explains it
//
// That hypothesis says that some readings are off for a reason that is not
// listed: each with a stated probability, by anything up to the nominal voltage
// (or 100 A). It takes out the readings that gain by it one at a time, and has a
// probability like the others. Beside it stands a test: the best explanation's
// residuals must pass chi-square (rᵀS⁻¹r against n less the fitted sizes) at
// [Doubtful]; if they don't, the answer says so, whatever the probabilities.
//
// # Where next
//
// A possible reading is predicted under each explanation left, given all readings
// so far (its conditional mean and variance under S, with the size's own
// uncertainty). The expected information is the entropy of the mixture less the
// mean entropy of its parts, in bits; it is divided by the effort, which counts
// moves of a probe. Points that need nothing undone come first.
//
// # What is assumed
//
// At most two faults. Direct current, all states steady. Faults are independent
// beforehand; the rates are common practice, none is published, and they can be
// changed (see [Rates]). Spans of sound parts are taken as normal once they are
// summed up over the parts of a way.
package faultfind

// Keep is how far below the best, in nats, an explanation may stand in the
// screening and still be solved in full: a factor of three million.
const Keep = 15.0

// Doubtful is the probability that a chi-square as large or larger comes about
// by chance, below which an explanation is not believed to explain everything.
const Doubtful = 0.001
