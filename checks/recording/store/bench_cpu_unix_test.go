//go:build unix

package store

import (
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// cpuTime is what this process has used of all cores.
func cpuTime() time.Duration {
	var u unix.Rusage
	if unix.Getrusage(unix.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func TestCPUTimeIsCounted(t *testing.T) {
	before := cpuTime()
	for began := time.Now(); cpuTime() == before; {
		if time.Since(began) > time.Minute {
			t.Fatal("no CPU time passes")
		}
	}
}
