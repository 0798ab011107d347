// Package sources opens the instruments that a person names in a file, and keeps
// them through the life on a cable.
//
//	file, err := sources.Read("sources.yaml")
//	for _, s := range file.Sources() {
//		r, err := s.Read(ctx, "voltage")
//	}
//
// A source file names each source, its kind, its port, and what is known of it:
//
//	loomproof-sources: 1
//	sources:
//	  bench meter:
//	    kind: scpi meter
//	    port: usb 16C0:05DC MH0042
//	    accuracy:
//	      voltage: 0.05 % + 3 digits
//
// A handheld meter with digits and no lead is typed; its accuracy is in its leaflet,
// one line for each function:
//
//	hand meter:
//	  kind: keyboard
//	  accuracy: {voltage: 0.5 % + 2 digits, resistance: 0.8 % + 4 digits}
//	  scales: {voltage: {to: 600 V}, resistance: {to: 40 MΩ}}
//
// [Starter] writes a commented one, [Schema] describes it for editors, [Kinds]
// lists the kinds.
//
// # To add a kind
//
// Make its package below probe (see probe.Source). Then add a file kind_NAME.go
// here: a struct that embeds [Entry], with the kind's own options as key and doc
// tags; its method check, which tells what is wrong with them before anything is
// opened; its method open. Add it to the list in kinds.go, and run make generate.
//
// # Life on a cable
//
// A [Source] may be pulled, plugged in elsewhere, switched off and on. Then Read
// says so (probe.ErrAway, probe.ErrSilent), and each further Read looks for the port
// again, at most every two seconds; it is found under whatever name it comes
// back, by its USB ids. What comes back is opened and set up as the first time. If
// another instrument answers there, it is not taken for the one that was lost. A
// cut of the power that could not be confirmed is made good before anything else
// is done.
package sources
