package port

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// holders lists the programs that hold the port: those that have it open, as far
// as this user may see, and whoever has our lock on it, whoever's that is.
func holders(name string) []string {
	node, err := filepath.EvalSymlinks(name)
	if err != nil {
		return nil
	}
	var who []string
	for _, pid := range slices.Compact(append(haveOpen(node), haveLock(node)...)) {
		if text := nameOfProcess(pid); !slices.Contains(who, text) {
			who = append(who, text)
		}
	}
	return who
}

// haveOpen lists the processes that have a node open.
func haveOpen(node string) []string {
	files, err := filepath.Glob(filepath.Join(tree.Proc, "[0-9]*", "fd", "*"))
	if err != nil {
		return nil
	}
	var pids []string
	for _, f := range files {
		pid := filepath.Base(filepath.Dir(filepath.Dir(f)))
		if len(pids) > 0 && pids[len(pids)-1] == pid {
			continue
		}
		if target, err := os.Readlink(f); err == nil && target == node {
			pids = append(pids, pid)
		}
	}
	return pids
}

// haveLock lists the processes that have locked a node. The kernel's list of
// locks is for everybody to read, so that another user's program is found, too:
//
//	1: FLOCK  ADVISORY  WRITE 4242 00:18:5 0 EOF
//
// that is the process, and the file as device (major and minor in hexadecimal)
// and inode (proc(5)).
func haveLock(node string) []string {
	info, err := os.Stat(node)
	if err != nil {
		return nil
	}
	stat, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return nil
	}
	file := fmt.Sprintf("%02x:%02x:%d", unix.Major(uint64(stat.Dev)), unix.Minor(uint64(stat.Dev)), stat.Ino)
	text, err := os.ReadFile(filepath.Join(tree.Proc, "locks"))
	if err != nil {
		return nil
	}
	var pids []string
	for lines := bufio.NewScanner(bytes.NewReader(text)); lines.Scan(); {
		if f := strings.Fields(lines.Text()); len(f) > 5 && f[1] == "FLOCK" && f[5] == file {
			pids = append(pids, f[4])
		}
	}
	return pids
}

func nameOfProcess(pid string) string {
	if pid == strconv.Itoa(os.Getpid()) {
		return "this program"
	}
	name, err := os.ReadFile(filepath.Join(tree.Proc, pid, "comm"))
	if errors.Is(err, os.ErrNotExist) || len(name) == 0 {
		return "process " + pid
	}
	return fmt.Sprintf("%s (process %s)", strings.TrimSpace(string(name)), pid)
}
