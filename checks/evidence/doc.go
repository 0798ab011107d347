// Package evidence makes a worksheet hold as evidence: people sign it, anybody
// can verify it, and it can be handed over as a file.
//
//	key, made, err := evidence.OwnKey(dir)
//	r, err := evidence.Sign(ctx, worksheet, key, evidence.Word{By: "R. Example", Capacity: "builder", Reason: "..."})
//	found := evidence.Verify(evidence.Of(worksheet), known)
//	err = evidence.Export(worksheet, "worksheet-3")
//
// Every record of a worksheet is chained by hash (package logbook). A sign-off is
// one more record: it names the number and the hash of the record before it, and
// so covers them all, and it is signed with Ed25519 (RFC 8032). An amendment is
// such a record, too: what stands is never changed. FORMAT.md has it byte for byte.
//
// # What it proves
//
// That whoever held the key put this name to these records, and that nothing
// before the signature was changed, taken out, moved or put in since. It does not
// prove who held the key, that the name is theirs, that the clock was right,
// or that the readings were taken where they say. What was cut off behind the last
// signature, or with it, leaves no trace in the worksheet itself: compare the
// last hash with the one that was written down at sign-off.
package evidence
