//go:build !linux

package sandbox

// hold does nothing: no kernel of these bounds memory in a way that holds for
// this program's own. watchHeap does what it can.
func hold() {}
