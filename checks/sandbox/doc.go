// Package sandbox runs a Starlark script where it can do no harm.
//
//	func main() {
//		sandbox.Serve() // does not return in a child process
//		...
//	}
//	err := sandbox.Apart(ctx, sandbox.Program{Name: "loaded.star", Text: text, Words: words})
//
// A script has no files, no network and no clock; it has the words that it is
// given. [Apart] runs it in a child process, which is this program once more. Each
// call of a word goes over a pipe to the parent, which does it and answers: what a
// word does, and what is kept of it, stays with the parent. [Here] runs it in
// this process, for tests in emulated time and for scripts of our own.
//
// # What is bounded
//
//   - steps of the interpreter: everywhere;
//   - time that a script reckons without calling a word, by the parent's clock: Apart;
//   - memory: Apart. On Linux the kernel holds the child to [Memory] beyond what
//     it had at its start (RLIMIT_DATA). On every system the child looks at its own heap each few
//     milliseconds and ends the script, naming the line. Where the kernel does not
//     hold it, one operation can overshoot between two looks, by 1 GiB at most: the
//     interpreter makes no longer string or list in one operation;
//   - the size of one call or answer: Apart.
//
// An error says where in the script, as an [*Error].
package sandbox
