// Package groundrun says what a recording of a charging system shows.
//
//	report, err := groundrun.Analyse(recording, groundrun.Options{})
//	report.Parts      // off, crank, idle, each steady speed, shutdown
//	report.Checks     // each figure with its uncertainty; with a verdict where a limit is known
//	report.Findings   // what is wrong or doubtful, and what to try
//	report.Untold     // what could not be told, and which channel or rate would tell it
//
// # How it works
//
// Every channel is read once and reduced to frames: least, most, mean, scatter of
// each tenth of a second. From the frames the parts and the load steps are
// found, by the currents, the voltage and the speed, and by markers where there
// are any. The few stretches that need single samples (a crank, a load step, the
// spectrum of a steady part) are read again. The memory that it takes does not
// grow with the recording: past two hours the frames become longer.
//
// # What is promised
//
// Missing samples are counted and told; a frame or a spectrum with a gap in it is
// left out, never filled in. Every figure carries an uncertainty: what the
// channel's accuracy gives, which all its samples share, and what scatters. A
// verdict follows the rule of package verdict. What the recording cannot tell is
// said with what would tell it, and is never a pass.
//
// # The rectifier's ripple
//
// Six pulses a turn of the electrical frequency f stand at 6f, 12f, ... with
// amplitudes 2/(n²−1) of the mean. A diode or a phase that is missing brings in f
// and 2f. So the lines below 6f are held against the one at 6f: their ratio does
// not depend on the battery, which smooths all of them alike. Where f is not
// known from the engine's speed it is found as the spacing of the lines;
// ripple.go says how.
package groundrun
