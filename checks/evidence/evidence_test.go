package evidence

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/checks/starter"
)

var builder = Word{By: "R. Example", Capacity: "builder", Reason: "the strobe comes next week"}

// performed is a closed worksheet of the starter design.
func performed(t testing.TB) (*logbook.Book, *logbook.Worksheet) {
	t.Helper()
	book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
	require.NoError(t, err)
	t.Cleanup(func() { book.Close() })
	return book, perform(t, book, `
caution("Work to the aircraft's own documents.")
name = circuits[0].name
not_done("load voltage", name, "no probe reaches it")
not_done("current", name, "=später \"µ\" <b>")
`)
}

func perform(t testing.TB, book *logbook.Book, script string) *logbook.Worksheet {
	t.Helper()
	text := marshHen(t)
	d, err := design.Parse("starter.yaml", text)
	require.NoError(t, err)
	w, err := book.Begin(context.Background(), logbook.Opening{Procedure: "x", Script: script, Aircraft: d.Aircraft.Name, Design: string(text), File: "starter.yaml", Revision: d.Revision})
	require.NoError(t, err)
	p := procedure.Performance{Design: d, Sheet: w, Name: "x", Script: []byte(script), Bench: &procedure.Bench{}, Desk: procedure.NewDesk()}
	require.NoError(t, p.Perform(context.Background()))
	return w
}

func marshHen(t testing.TB) []byte {
	t.Helper()
	text, err := starter.Design("Marsh Hen", 14)
	require.NoError(t, err)
	return text
}

func newKey(t testing.TB) (*Key, Known) {
	t.Helper()
	k, made, err := OwnKey(t.TempDir())
	require.NoError(t, err)
	require.True(t, made)
	known := Known{}
	known.AddKey(k.Public())
	return k, known
}

// signedSheet is a worksheet with a sign-off and an amendment.
func signedSheet(t testing.TB) (Sheet, *Key, Known) {
	t.Helper()
	_, w := performed(t)
	key, known := newKey(t)
	_, err := Sign(t.Context(), w, key, builder)
	require.NoError(t, err)
	_, err = Amend(t.Context(), w, key, builder, "", "the strobe was fitted and passed, worksheet 4")
	require.NoError(t, err)
	x := Of(w)
	require.True(t, Verify(x, known).Proven(), "%+v", Verify(x, known))
	return x, key, known
}

func TestWhatRemainsOpenMustBeAcknowledged(t *testing.T) {
	_, w := performed(t)
	key, known := newKey(t)
	before := len(w.Records())
	said := builder
	said.Reason = " "
	_, err := Sign(t.Context(), w, key, said)
	var open *StillOpen
	require.ErrorAs(t, err, &open)
	require.Len(t, open.Items, 2)
	assert.Contains(t, open.Items[0], "not done: ")
	assert.Contains(t, open.Items[0], "no probe reaches it")
	assert.Len(t, w.Records(), before, "nothing was added")
	s, err := Sign(t.Context(), w, key, builder)
	require.NoError(t, err)
	assert.Equal(t, open.Items, s.Open, "what was signed says what was open")
	_, err = Sign(t.Context(), w, key, Word{By: "I. Example", Capacity: "inspector", Reason: "seen"})
	require.NoError(t, err, "a second person may sign")
	f := Verify(Of(w), known)
	assert.True(t, f.Proven())
	require.Len(t, f.Signatures, 2)
	assert.Equal(t, "inspector", f.Signatures[1].Capacity)
}

func TestNothingIsSignedWithoutNameOrCapacity(t *testing.T) {
	_, w := performed(t)
	key, _ := newKey(t)
	for _, said := range []Word{{Capacity: "builder", Reason: "x"}, {By: "R. Example", Reason: "x"}, {By: "  ", Capacity: "builder", Reason: "x"}} {
		_, err := Sign(t.Context(), w, key, said)
		assert.ErrorContains(t, err, "say ")
		_, err = Amend(t.Context(), w, key, said, "", "text")
		assert.ErrorContains(t, err, "say ")
	}
	_, err := Amend(t.Context(), w, key, builder, "", "")
	assert.ErrorContains(t, err, "say what")
	_, err = Amend(t.Context(), w, key, builder, "radio/none", "text")
	assert.ErrorContains(t, err, `there is no step "radio/none"`)
	assert.Equal(t, logbook.KindClose, w.Records()[len(w.Records())-1].Kind)
}

func TestAnUnfinishedWorksheetIsClosedBySigning(t *testing.T) {
	book, _ := performed(t)
	text := marshHen(t)
	w, err := book.Begin(t.Context(), logbook.Opening{Procedure: "x", Design: string(text), File: "starter.yaml"})
	require.NoError(t, err)
	key, known := newKey(t)
	_, err = Amend(t.Context(), w, key, builder, "", "text")
	require.ErrorContains(t, err, "is not closed")
	s, err := Sign(t.Context(), w, key, builder)
	require.NoError(t, err)
	assert.Contains(t, s.Open[0], "did not come to its end")
	_, err = w.Append(t.Context(), "effect", 1)
	require.ErrorContains(t, err, "is closed")
	assert.True(t, Verify(Of(w), known).Proven())
}

// One bit of each byte of each record of a signed worksheet is flipped: it is
// found every time, at that record.
func TestEachByteFlippedIsFound(t *testing.T) {
	x, _, known := signedSheet(t)
	flips := 0
	try := func(i int, change func(*logbook.Record)) {
		flips++
		y := Sheet{Worksheet: x.Worksheet, Records: slices.Clone(x.Records), attached: x.attached}
		change(&y.Records[i])
		f := Verify(y, known)
		if len(f.Faults) == 0 || f.Faults[0].Record != y.Records[i].Seq && f.Faults[0].Record != i+2 {
			t.Fatalf("record %d, flip %d: %v", i+1, flips, f.Faults)
		}
	}
	for i, r := range x.Records {
		for n := range len(r.Body) {
			if i == 0 && n%29 != 0 && n > 300 && os.Getenv("LOOMPROOF_EVERY_BYTE") == "" {
				continue // the long text of the design
			}
			try(i, func(r *logbook.Record) { r.Body = flip(r.Body, n) })
		}
		for n := range len(r.Hash) {
			try(i, func(r *logbook.Record) { r.Hash = string(flip([]byte(r.Hash), n)) })
		}
		for n := range len(r.Stamp) {
			try(i, func(r *logbook.Record) { r.Stamp = string(flip([]byte(r.Stamp), n)) })
		}
		for n := range len(r.Kind) {
			try(i, func(r *logbook.Record) { r.Kind = string(flip([]byte(r.Kind), n)) })
		}
		for n := range 16 {
			try(i, func(r *logbook.Record) { r.Seq ^= 1 << n })
		}
	}
	t.Logf("%d flips in %d records, each found", flips, len(x.Records))
}

func flip(text []byte, n int) []byte {
	out := bytes.Clone(text)
	out[n] ^= 1 << (n % 8)
	return out
}

// Whoever changes a record and makes the whole chain anew is found by the
// signature.
func TestAChainMadeAnewIsFoundByTheSignature(t *testing.T) {
	x, _, known := signedSheet(t)
	for i := range x.Records {
		y := Sheet{Worksheet: x.Worksheet, Records: slices.Clone(x.Records), attached: x.attached}
		r := &y.Records[i]
		switch r.Kind {
		case logbook.KindSign, logbook.KindAmend:
			r.Body = json.RawMessage(strings.Replace(string(r.Body), "builder", "engineer", 1))
		default:
			r.Body = json.RawMessage(strings.Replace(string(r.Body), "{", "{ ", 1))
		}
		rechain(y.Records)
		f := Verify(y, known)
		require.NotEmpty(t, f.Faults, "record %d", i+1)
		assert.False(t, f.Proven())
	}
}

func rechain(records []logbook.Record) {
	before := ""
	for i := range records {
		records[i].Hash = records[i].Link(before)
		before = records[i].Hash
	}
}

func TestRecordsTakenOutMovedOrPutInAreFound(t *testing.T) {
	x, _, known := signedSheet(t)
	other, _, _ := signedSheet(t)
	n := len(x.Records)
	check := func(name string, records []logbook.Record, want string) {
		t.Helper()
		f := Verify(Sheet{Worksheet: x.Worksheet, Records: records, attached: x.attached}, known)
		said := fmt.Sprint(f.Faults)
		require.NotEmpty(t, f.Faults, name)
		assert.Contains(t, said, want, name)
		rechained := slices.Clone(records)
		for i := range rechained {
			rechained[i].Seq = i + 1
		}
		rechain(rechained)
		assert.NotEmpty(t, Verify(Sheet{Worksheet: x.Worksheet, Records: rechained, attached: x.attached}, known).Faults, "%s, with numbers and chain made anew", name)
	}
	for i := range n - 1 { // what is behind the last signature: see below
		check(fmt.Sprint("without ", i+1), slices.Delete(slices.Clone(x.Records), i, i+1), "missing before it")
		check(fmt.Sprint("twice ", i+1), slices.Insert(slices.Clone(x.Records), i, x.Records[i]), "there twice")
		swapped := slices.Clone(x.Records)
		swapped[i], swapped[i+1] = swapped[i+1], swapped[i]
		check(fmt.Sprint("swapped ", i+1), swapped, "moved")
		spliced := slices.Clone(x.Records)
		spliced[i] = other.Records[i]
		check(fmt.Sprint("another's ", i+1), spliced, "from another worksheet")
	}
	f := Verify(Sheet{Worksheet: x.Worksheet + 1, Records: x.Records, attached: x.attached}, known)
	assert.Contains(t, fmt.Sprint(f.Faults), "it signs worksheet 1, not this one")
	assert.Contains(t, fmt.Sprint(Verify(Sheet{Worksheet: 1}, known).Faults), "no records")
}

// A worksheet cut short before its signatures is not proven; one cut behind its
// first signature is that of the first signature.
func TestAWorksheetCutShort(t *testing.T) {
	x, _, known := signedSheet(t)
	for n := 1; n < len(x.Records); n++ {
		f := Verify(Sheet{Worksheet: x.Worksheet, Records: x.Records[:n], attached: x.attached}, known)
		if x.Records[n-1].Kind == logbook.KindSign {
			assert.NotEqual(t, x.Records[len(x.Records)-1].Hash, f.Head, "only the last hash tells, if it was written down")
			continue
		}
		assert.False(t, f.Proven(), "%d records", n)
		assert.Positive(t, f.Unsigned)
	}
}

func TestAnUnknownKeyIsTold(t *testing.T) {
	x, key, _ := signedSheet(t)
	f := Verify(x, Known{})
	assert.Empty(t, f.Faults)
	assert.False(t, f.Proven())
	assert.False(t, f.Signatures[0].Known)
	assert.Equal(t, Fingerprint(key.Public()), f.Signatures[0].Fingerprint)

	known := Known{}
	require.NoError(t, known.Add(strings.ToUpper(Fingerprint(key.Public()))))
	assert.True(t, Verify(x, known).Proven())
	file := filepath.Join(t.TempDir(), "public.pem")
	require.NoError(t, os.WriteFile(file, PublicPEM(key.Public()), 0o600))
	known = Known{}
	require.NoError(t, known.Add(file))
	assert.True(t, Verify(x, known).Proven())
	assert.ErrorContains(t, known.Add("0123"), "neither a fingerprint")
	assert.ErrorContains(t, known.Add(key.Path), "no public key")
}

// A clock that went back is told, and is among what a person acknowledges; it is
// no fault.
func TestAClockSetBackIsTold(t *testing.T) {
	x, _, _ := signedSheet(t)
	y := Sheet{Worksheet: x.Worksheet, Records: slices.Clone(x.Records[:4]), attached: x.attached}
	for i := range y.Records {
		at := time.Date(2026, 11, 25, 12, 0, i, 0, time.UTC)
		if i == 2 {
			at = at.Add(-time.Hour)
		}
		y.Records[i].At, y.Records[i].Stamp = at, at.Format(time.RFC3339Nano)
	}
	rechain(y.Records)
	f := Verify(y, Known{})
	assert.Empty(t, f.Faults)
	assert.Equal(t, []string{"the clock went back by 59m59s between the records 2 and 3, to 2026-11-25T11:00:02Z"}, f.Notes)
	open, err := Open(y.Records)
	require.NoError(t, err)
	assert.Contains(t, open, f.Notes[0])
}

func TestKeysAreKept(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new", "folder")
	k, made, err := OwnKey(dir)
	require.NoError(t, err)
	assert.True(t, made)
	again, made, err := OwnKey(dir)
	require.NoError(t, err)
	assert.False(t, made)
	assert.Equal(t, k.Public(), again.Public())
	if runtime.GOOS != "windows" {
		info, err := os.Stat(k.Path)
		require.NoError(t, err)
		assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
		require.NoError(t, os.Chmod(k.Path, 0o640))
		_, _, err = OwnKey(dir)
		assert.ErrorContains(t, err, "others can read it")
		require.NoError(t, os.Chmod(k.Path, 0o600))
	}
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, left, 1)
	require.NoError(t, os.WriteFile(k.Path, []byte("no key"), 0o600))
	_, _, err = OwnKey(dir)
	assert.ErrorContains(t, err, "no private key in PEM form", "a damaged key is not replaced in silence")
}

// The file says the same as the logbook, and a verifier written from FORMAT.md in
// another language, with openssl for the signatures, agrees about it.
func TestAnExportedWorksheetVerifiesWithoutThisProgram(t *testing.T) {
	x, key, known := signedSheet(t)
	dir := filepath.Join(t.TempDir(), "worksheet-1")
	names, err := Export(x, dir)
	require.NoError(t, err)
	assert.Len(t, names, 7)
	back, err := ReadFile(dir)
	require.NoError(t, err)
	copies := Verify(back, known)
	assert.Equal(t, []string{"steps.csv", "steps.json", "readings.csv", "readings.json", "key-of-record-7.pem", "key-of-record-8.pem"}, copies.Copies)
	copies.Copies = []string{}
	assert.Equal(t, Verify(x, known), copies)
	_, err = Export(x, dir)
	assert.ErrorContains(t, err, "is there already")

	public := filepath.Join(dir, "key-of-record-8.pem")
	file := filepath.Join(dir, worksheetFile)
	said, err := independently(t, file, public)
	require.NoError(t, err, said)
	assert.Equal(t, "8 records, all signed\n", said)
	out, err := exec.Command("sh", "-c", "openssl pkey -pubin -in "+public+" -outform DER | tail -c 32 | sha256sum | cut -c 1-32").Output()
	require.NoError(t, err)
	assert.Equal(t, strings.ReplaceAll(Fingerprint(key.Public()), " ", "")+"\n", string(out))

	// What is changed, it finds as well.
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	for _, change := range [][2]string{{"reaches it", "reaches It"}, {"next week", "next year"}, {`"seq": 3`, `"seq": 4`}} {
		require.NoError(t, os.WriteFile(file, bytes.Replace(text, []byte(change[0]), []byte(change[1]), 1), 0o600))
		said, err := independently(t, file, public)
		require.Error(t, err, "%s: %s", change, said)
		back, err := ReadFile(file)
		require.NoError(t, err)
		assert.NotEmpty(t, Verify(back, known).Faults)
	}
	other, _ := newKey(t)
	require.NoError(t, os.WriteFile(file, text, 0o600))
	require.NoError(t, os.WriteFile(public, PublicPEM(other.Public()), 0o600))
	said, err = independently(t, file, public)
	require.Error(t, err)
	assert.Contains(t, said, "another key")
}

func independently(t *testing.T, file, public string) (string, error) {
	t.Helper()
	for tool, name := range map[string]string{"python3": "python3", "openssl": "openssl"} {
		_, err := exec.LookPath(tool)
		require.NoError(t, err, "install the Debian package %s", name)
	}
	out, err := exec.Command("python3", "testdata/verify.py", file, public).CombinedOutput()
	return string(out), err
}

func TestStepsAndReadingsAsTables(t *testing.T) {
	x, _, _ := signedSheet(t)
	dir := filepath.Join(t.TempDir(), "out")
	_, err := Export(x, dir)
	require.NoError(t, err)
	f, err := os.Open(filepath.Join(dir, "steps.csv"))
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 3)
	assert.Contains(t, rows[2], `=später "µ" <b>`)
	assert.Contains(t, rows[1], "not done")
	text, err := os.ReadFile(filepath.Join(dir, "steps.json"))
	require.NoError(t, err)
	var steps []procedure.Step
	require.NoError(t, json.Unmarshal(text, &steps))
	assert.Len(t, steps, 2)
}

func TestBadFilesAreRefused(t *testing.T) {
	dir := t.TempDir()
	for name, c := range map[string][2]string{
		"empty":   {"", "no exported worksheet"},
		"other":   {`{"a": 1}`, "no exported worksheet"},
		"format":  {`{"format": "x 2", "worksheet": 1, "records": []}`, `its format is "x 2"`},
		"more":    {`{"format": "loomproof worksheet 1", "worksheet": 1, "records": []} x`, "no exported worksheet"},
		"a field": {`{"format": "loomproof worksheet 1", "worksheet": 1, "records": [{"seq": 1, "note": ""}]}`, "note"},
	} {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte(c[0]), 0o600))
		_, err := ReadFile(path)
		assert.ErrorContains(t, err, c[1], name)
	}
	_, err := ReadFile(filepath.Join(dir, "none"))
	assert.ErrorIs(t, err, os.ErrNotExist)
}

func FuzzReadFile(f *testing.F) {
	f.Add([]byte(`{"format":"loomproof worksheet 1","worksheet":1,"records":[{"seq":1,"at":"2026-11-25T09:00:00Z","kind":"open","body":"{}","hash":"5301a078d254314dec3f5f40d9005925e48e1a84600ee673c8763eefcf224204"},{"seq":2,"at":"x","kind":"sign","body":"{}","hash":""}]}`))
	path := filepath.Join(f.TempDir(), "w.json")
	f.Fuzz(func(t *testing.T, text []byte) {
		require.NoError(t, os.WriteFile(path, text, 0o600))
		if x, err := ReadFile(path); err == nil {
			assert.False(t, Verify(x, Known{}).Proven(), "nobody vouches for a key here")
		}
	})
}

func BenchmarkVerify(b *testing.B) {
	b.ReportAllocs()
	x, _, known := signedSheet(b)
	for b.Loop() {
		if !Verify(x, known).Proven() {
			b.Fatal("not proven")
		}
	}
}

// Whoever gets a folder opens the tables in it: they are held against the records.
func TestCopiesThatSayAnythingElseAreFound(t *testing.T) {
	x, _, known := signedSheet(t)
	for name, c := range map[string]struct {
		do    func(dir string) error
		fault string
		note  string
	}{
		"a verdict in steps.csv":  {do: func(dir string) error { return replaceIn(filepath.Join(dir, "steps.csv"), "not done", "pass") }, fault: "steps.csv does not say"},
		"a verdict in steps.json": {do: func(dir string) error { return replaceIn(filepath.Join(dir, "steps.json"), "not done", "pass") }, fault: "steps.json does not say"},
		"a row more":              {do: func(dir string) error { return replaceIn(filepath.Join(dir, "readings.csv"), "\n", "\nr99\n") }, fault: "readings.csv does not say"},
		"another's key":           {do: func(dir string) error { return replaceIn(filepath.Join(dir, "key-of-record-7.pem"), "A", "B") }, fault: "key-of-record-7.pem does not say"},
		"one is missing":          {do: func(dir string) error { return os.Remove(filepath.Join(dir, "readings.json")) }, note: "readings.json is not in the folder"},
		"one lies beside them":    {do: func(dir string) error { return os.WriteFile(filepath.Join(dir, "letter.txt"), nil, 0o600) }, note: "letter.txt is none of the worksheet's files"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "w")
			_, err := Export(x, dir)
			require.NoError(t, err)
			require.NoError(t, c.do(dir))
			back, err := ReadFile(dir)
			require.NoError(t, err)
			f := Verify(back, known)
			if c.fault != "" {
				require.Len(t, f.Faults, 1)
				assert.Contains(t, f.Faults[0].What, c.fault)
				assert.False(t, f.Proven())
				return
			}
			assert.True(t, f.Proven(), "%+v", f)
			assert.Contains(t, strings.Join(f.Notes, "\n"), c.note)
		})
	}
}

func replaceIn(file, from, to string) error {
	text, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	if !strings.Contains(string(text), from) {
		return fmt.Errorf("%s has no %q", file, from)
	}
	return os.WriteFile(file, []byte(strings.Replace(string(text), from, to, 1)), 0o600)
}
