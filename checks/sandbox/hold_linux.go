package sandbox

import (
	"bufio"
	"fmt"
	"os"
	"strings"

	"golang.org/x/sys/unix"
)

// hold has the kernel bound this process's memory, to what it has now and
// Memory more.
func hold() {
	has, ok := dataBytes()
	if !ok {
		return
	}
	most := has + Memory
	_ = unix.Setrlimit(unix.RLIMIT_DATA, &unix.Rlimit{Cur: most, Max: most})
}

// dataBytes is what the kernel counts against RLIMIT_DATA, proc(5), VmData.
func dataBytes() (uint64, bool) {
	f, err := os.Open("/proc/self/status")
	if err != nil {
		return 0, false
	}
	defer f.Close()
	for s := bufio.NewScanner(f); s.Scan(); {
		var kilo uint64
		if strings.HasPrefix(s.Text(), "VmData:") {
			_, err := fmt.Sscanf(s.Text(), "VmData: %d kB", &kilo)
			return kilo << 10, err == nil
		}
	}
	return 0, false
}
