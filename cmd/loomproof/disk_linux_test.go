package main

import (
	"bytes"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"loomproof/checks/logbook"
)

// A disk that runs full at any record ends the program with what to do, the
// power off, and everything that was shown on disk; with room made the same
// command goes on, and ends with the report of an undisturbed worksheet.
func TestADiskThatRunsFull(t *testing.T) {
	dir := mounted(t, "size=8m")
	seed := uint64(time.Now().UnixNano())
	t.Logf("sizes from seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	v := &victim{t: t, killing: killing{procedure: "annual-check", fault: "none"}, dir: dir, r: r}
	full := 0
	for full < 3 {
		free := fillUpTo(t, dir, 40_000+r.IntN(150_000))
		cmd, _, progress := v.command(t.Context(), v.book())
		err := cmd.Run()
		free()
		records := v.records()
		if len(records) > 0 && records[len(records)-1].Kind == logbook.KindClose {
			break // there was room enough for the rest
		}
		require.Error(t, err)
		require.Equal(t, exitCouldNot, cmd.ProcessState.ExitCode(), "%s", progress)
		require.Contains(t, progress.String(), "the disk is full: make room and start again; what was recorded is kept")
		if len(v.before) < len(records) { // it had begun
			require.Contains(t, progress.String(), "the supply confirmed that its output is off")
		}
		require.LessOrEqual(t, shownSteps(progress.String()), steps(records), "what was shown had been kept")
		for i, r := range v.before {
			require.Equal(t, r, records[i], "record %d was on disk before", i+1)
		}
		v.before = records
		full++
	}
	require.Positive(t, full)
	got := v.finish()
	want := v.undisturbed()
	assert.Equal(t, asked(want, false), asked(got, false))
	assertSameOutcome(t, sheetOf(t, want), sheetOf(t, got), false)
}

// A logbook on a medium that cannot be written is read, verified and reported;
// to perform into it is refused with what to do. So it is for a logbook whose
// program was killed, where the newest records stand beside the file.
func TestALogbookThatCannotBeWritten(t *testing.T) {
	v := &victim{t: t, killing: killing{procedure: "compass", fault: "none"}, dir: t.TempDir()}
	v.run(v.book())
	for _, c := range []struct {
		name string
		wal  bool
	}{{"closed in order", false}, {"as a kill left it", true}} {
		t.Run(c.name, func(t *testing.T) {
			dir := mounted(t, "size=8m")
			path := filepath.Join(dir, "logbook.db")
			copyFile(t, v.book(), path)
			if c.wal {
				leaveInLog(t, path)
			}
			require.NoError(t, unix.Mount("", dir, "", unix.MS_REMOUNT|unix.MS_RDONLY, ""))
			for _, x := range []struct {
				command string
				code    int
				says    string
			}{
				{"report", 0, "PASS: compass"},
				{"report --json", 0, `"procedure": "compass"`},
				{"verify", exitIncomplete, "no record was changed"}, // not signed
				{"amend 1 remark --by Ann --capacity builder --key " + keyFile(t), exitCouldNot, "can be written"},
				{"demo --hands-off --procedure locator", exitCouldNot, "can be written"},
			} {
				var out, errOut bytes.Buffer
				code := run(append(strings.Fields(x.command), "--logbook", path), nil, &out, &errOut)
				assert.Equal(t, x.code, code, "%s: %s%s", x.command, &out, &errOut)
				assert.Contains(t, out.String()+errOut.String(), x.says)
				if c.wal && x.command == "report" {
					assert.Contains(t, out.String(), "amended", "the newest record is there")
				}
			}
		})
	}
}

// leaveInLog amends the worksheet and takes the files as they are while the
// logbook is still open, as a kill would leave them.
func leaveInLog(t *testing.T, path string) {
	t.Helper()
	there := filepath.Join(t.TempDir(), "logbook.db")
	copyFile(t, path, there)
	open, err := logbook.Open(there) // keeps the program from folding its log in as it ends
	require.NoError(t, err)
	defer open.Close()
	_, err = open.Worksheets(t.Context())
	require.NoError(t, err)
	var out, errOut bytes.Buffer
	require.Equal(t, 0, run([]string{"amend", "1", "swung once more", "--logbook", there, "--by", "Tove Lind", "--capacity", "builder", "--key", keyFile(t)}, nil, &out, &errOut), "%s%s", &out, &errOut)
	copyFile(t, there, path)
	copyFile(t, there+"-wal", path+"-wal")
	wal, err := os.Stat(path + "-wal")
	require.NoError(t, err)
	require.Positive(t, wal.Size())
}

// keyFile is a new key, made outside the program.
func keyFile(t *testing.T) string {
	t.Helper()
	key := filepath.Join(t.TempDir(), "key.pem")
	require.NoError(t, exec.Command("openssl", "genpkey", "-algorithm", "ed25519", "-out", key).Run())
	return key
}

// mounted is a small disk of its own.
func mounted(t *testing.T, options string) string {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, unix.Mount("tmpfs", dir, "tmpfs", 0, options), "the gate runs as root, who may mount a small disk")
	t.Cleanup(func() { require.NoError(t, unix.Unmount(dir, unix.MNT_DETACH)) })
	return dir
}

// fillUpTo leaves only so many bytes on a disk; free gives the rest back.
func fillUpTo(t *testing.T, dir string, left int) (free func()) {
	t.Helper()
	var s unix.Statfs_t
	require.NoError(t, unix.Statfs(dir, &s))
	filler := filepath.Join(dir, "filler")
	require.NoError(t, os.WriteFile(filler, make([]byte, max(0, int(s.Bavail)*int(s.Bsize)-left)), 0o600))
	return func() { require.NoError(t, os.Remove(filler)) }
}
