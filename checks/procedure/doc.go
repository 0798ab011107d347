// Package procedure performs procedures: it runs a script, asks a person, takes
// readings when they are steady, compares them with limits, and keeps all of it
// in a worksheet.
//
//	desk := procedure.NewDesk()
//	p := procedure.Performance{Design: d, Sheet: worksheet, Script: text, Bench: bench, Desk: desk}
//	err := p.Perform(ctx)
//
// Nouns:
//
//   - a step is one thing that gets a verdict; a hold point waits for a person;
//   - the [Desk] is where the person sits: it shows what to do now and takes the
//     answer, whether from the terminal, a page, a foot switch or emulated hands;
//   - the [Bench] is the instruments;
//   - a [Sheet] is a worksheet's records as steps, findings and verdicts.
//
// # Journal
//
// A script acts on the world only through the functions it is given, its
// effects. What an effect brought is recorded, durably, before the script goes
// on or anybody is shown a verdict. After a kill the script is run again from
// its top: as long as the journal has records, an effect is answered from there
// and nothing happens; a script asked twice with the same answers does the same.
// Before the first effect that really happens again, the power is cut, which a
// killed program leaves on, and a person confirms that the aircraft stands as the
// worksheet left it. A cut that is in the journal without the effect that it
// stopped stands for that effect: nothing is switched on again to find out.
//
// # Watch
//
// While power is on, the supply and the node are watched beside the script. A
// current above the ceiling for the present state, or a bus that collapses,
// cuts the power at once and tells the script which step it was in.
package procedure
