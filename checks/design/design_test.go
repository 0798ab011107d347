package design_test

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/scripts"
)

var update = flag.Bool("update", false, "write the golden files anew")

func marshHen(t *testing.T) *design.Design {
	t.Helper()
	text, ok := scripts.Design("marsh-hen")
	require.True(t, ok)
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	return d
}

func TestMarshHenIsReadWhole(t *testing.T) {
	d := marshHen(t)
	assert.Equal(t, "Marsh Hen", d.Aircraft.Name)
	assert.Len(t, d.Circuits, 22)
	radio := d.Circuit("radio")
	require.NotNil(t, radio)
	assert.Equal(t, "radio.breaker", radio.Runs[0].From)
	assert.Equal(t, "J2.1", radio.Runs[0].To)
	assert.Equal(t, "P2.1", radio.Runs[1].From)
	assert.Equal(t, "radio/2", radio.Runs[1].Name)
	assert.InDelta(t, 1.0, radio.Load.Draw.At(14), 1e-12)
	assert.Equal(t, design.Easy, d.Terminal("radio.load+").Reach)
	assert.Contains(t, d.Terminal("radio.load+").Say, "rear plug pin 1")
	assert.Len(t, d.Terminal("G4").Runs, 7, "the avionics ground block")
	assert.Len(t, d.Revision, 12)
}

func TestThePathOfTheRadioCurrent(t *testing.T) {
	d := marshHen(t)
	assert.Equal(t, []string{"avionics", "radio.breaker", "J2.1", "P2.1", "radio.load+"}, d.Feed(d.Circuit("radio")))
	assert.Equal(t, []string{"radio.load-", "G4"}, d.Return(d.Circuit("radio")))
	assert.Equal(t, []string{"main", "strobe.breaker", "strobe.switch.in", "strobe.switch.out", "J3.1", "P3.1", "strobe.load+"}, d.Feed(d.Circuit("strobe")))
	assert.Nil(t, d.Feed(d.Circuit("master")))
}

// Each file below testdata/bad is a design with something wrong; the golden
// file beside it has every message, whole.
func TestBadDesigns(t *testing.T) {
	files, err := filepath.Glob("testdata/bad/*.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			d, err := design.Read(file)
			require.Error(t, err)
			assert.Nil(t, d)
			var errs design.Errors
			require.ErrorAs(t, err, &errs)
			golden := strings.TrimSuffix(file, ".yaml") + ".txt"
			if *update {
				require.NoError(t, os.WriteFile(golden, []byte(err.Error()+"\n"), 0o644))
			}
			want, err2 := os.ReadFile(golden)
			require.NoError(t, err2)
			assert.Equal(t, string(want), err.Error()+"\n")
		})
	}
}

func TestMissingFileNamesIt(t *testing.T) {
	_, err := design.Read("no-such.yaml")
	assert.ErrorContains(t, err, "no-such.yaml")
	assert.ErrorIs(t, err, os.ErrNotExist)
}

func FuzzParse(f *testing.F) {
	text, _ := scripts.Design("marsh-hen")
	f.Add(string(text))
	files, _ := filepath.Glob("testdata/bad/*.yaml")
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(text))
	}
	f.Fuzz(func(t *testing.T, text string) {
		d, err := design.Parse("fuzz.yaml", []byte(text))
		if (d == nil) == (err == nil) {
			t.Fatalf("design %v, error %v", d != nil, err)
		}
	})
}
