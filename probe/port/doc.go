// Package port opens the lines that instruments hang on: serial ports, and
// pairs of ends in memory for tests.
//
//	conn, err := port.Open("/dev/ttyUSB0", port.Mode{Baud: 9600})
//
// [List] says which ports there are, without opening any. [ParseMode] reads a
// mode as people write it, "9600 7E2". [Pipe] makes two ends in memory that
// keep every promise of [Conn], and works under testing/synctest.
//
// A port is locked while it is open, so that two programs never talk to one
// instrument. A port that vanishes, or takes no bytes for two seconds, is
// given up, and every later call says so; open it again. Bytes that were on
// the way when a cable is pulled are lost: never assume that the last line
// was whole.
package port
