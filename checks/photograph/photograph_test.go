package photograph

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"os/exec"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// quarters is a picture whose corners differ: red, green above, blue, white below.
func quarters(w, h int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{255, 0, 0, 255}
			switch {
			case x >= w/2 && y < h/2:
				c = color.RGBA{0, 255, 0, 255}
			case x < w/2 && y >= h/2:
				c = color.RGBA{0, 0, 255, 255}
			case x >= w/2:
				c = color.RGBA{255, 255, 255, 255}
			}
			m.SetRGBA(x, y, c)
		}
	}
	return m
}

func jpegOf(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, m, nil))
	return b.Bytes()
}

func segment(marker byte, body string) []byte {
	return append(binary.BigEndian.AppendUint16([]byte{0xff, marker}, uint16(len(body)+2)), body...)
}

// exif is an Exif block as phones write it: orientation, time, place.
func exif(orientation byte) string {
	le := binary.LittleEndian
	t := []byte("II*\x00\x08\x00\x00\x00")
	entry := func(tag, kind uint16, count, value uint32) {
		t = le.AppendUint16(t, tag)
		t = le.AppendUint16(t, kind)
		t = le.AppendUint32(t, count)
		t = le.AppendUint32(t, value)
	}
	t = le.AppendUint16(t, 3)
	entry(0x0112, 3, 1, uint32(orientation))
	entry(0x8769, 4, 1, 50) // Exif directory
	entry(0x8825, 4, 1, 88) // GPS directory
	t = append(t, 0, 0, 0, 0)
	t = le.AppendUint16(t, 1)
	entry(0x9003, 2, 20, 68)
	t = append(t, 0, 0, 0, 0)
	t = append(t, "2026:11:25 09:00:00\x00"...)
	return exifHead + string(t) + "GPS: 51 28 38 N, SERIAL 12345"
}

// asFromAPhone puts around a JPEG what phones put there.
func asFromAPhone(plain []byte, orientation byte) []byte {
	out := append([]byte{}, plain[:2]...)
	for _, s := range [][]byte{
		segment(markerAPP0, "JFIF\x00\x01\x02\x00\x00\x48\x00\x48\x01\x01GPS"), segment(markerAPP1, exif(orientation)),
		segment(markerAPP1, "http://ns.example/xap/1.0/\x00<x GPSLatitude='51'/>"), segment(markerAPP2, "MPF\x00GPS"), segment(markerCOM, "GPS of the hangar"),
		segment(markerAPP2, "ICC_PROFILE\x00\x01\x01profile"),
	} {
		out = append(out, s...)
	}
	out = append(out, plain[2:]...)
	return append(out, "GPS: a short film behind the end"...)
}

func TestWhatTellsWhereIsTakenOut(t *testing.T) {
	plain := jpegOf(t, quarters(64, 48))
	kept, about, err := Clean(asFromAPhone(plain, 6))
	require.NoError(t, err)
	assert.Equal(t, About{"image/jpeg", 64, 48, "2026:11:25 09:00:00", 6}, about)
	for _, gone := range []string{"GPS", "SERIAL", "hangar", "MPF", "film"} {
		assert.NotContains(t, string(kept), gone)
	}
	assert.Contains(t, string(kept), "ICC_PROFILE")
	assert.True(t, bytes.HasSuffix(kept, plain[2:]), "the picture itself is as the camera packed it")
	again, _, err := Clean(kept)
	require.NoError(t, err)
	assert.Equal(t, kept, again)
	upright, about, err := Clean(plain)
	require.NoError(t, err)
	assert.Equal(t, plain, upright, "where nothing is to be taken out, nothing is")
	assert.Equal(t, 1, about.Orientation)
}

// The other formats, with what tells in chunks of theirs.
func TestPNGAndWebP(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, quarters(64, 48)))
	chunk := func(name, body string) []byte {
		c := append(binary.BigEndian.AppendUint32(nil, uint32(len(body))), name+body...)
		return binary.BigEndian.AppendUint32(c, crc32.ChecksumIEEE([]byte(name+body)))
	}
	const head = 8 + 25 // signature, IHDR
	p := append(append(append([]byte{}, b.Bytes()[:head]...), chunk("tEXt", "Comment\x00GPS")...), append(b.Bytes()[head:], "GPS"...)...)
	kept, about, err := Clean(p)
	require.NoError(t, err)
	assert.Equal(t, b.Bytes()[:len(b.Bytes())], kept)
	assert.Equal(t, About{"image/png", 64, 48, "", 1}, about)

	// A lossless WebP picture of one pixel (from memory of the format: VP8L, 1 by 1), with an Exif chunk behind.
	vp8l := "VP8L\x0d\x00\x00\x00\x2f\x00\x00\x00\x10\x07\x10\x11\x11\x88\x88\xfe\x07\x00"
	body := "WEBP" + vp8l + "EXIF\x04\x00\x00\x00GPS!"
	w := append(binary.LittleEndian.AppendUint32([]byte("RIFF"), uint32(len(body))), body...)
	kept, about, err = Clean(w)
	require.NoError(t, err)
	assert.Equal(t, "image/webp", about.Type)
	assert.Equal(t, 1, about.Width)
	assert.NotContains(t, string(kept), "GPS")
	_, err = Scaled(kept, 10)
	require.NoError(t, err)
}

func TestBadPicturesSayWhatToDo(t *testing.T) {
	good := jpegOf(t, quarters(64, 48))
	huge := bytes.Clone(good)
	at := bytes.Index(huge, []byte{0xff, 0xc0})
	copy(huge[at+5:], "\xff\xff\xff\xff")
	for name, c := range map[string]struct {
		data []byte
		says string
	}{
		"empty":       {nil, "is empty"},
		"text":        {[]byte("this is no picture"), "set the camera to JPEG"},
		"page":        {[]byte("<svg onload=alert(1)>"), "set the camera to JPEG"},
		"cut short":   {good[:len(good)/2], "take it again"},
		"no scan":     {[]byte("\xff\xd8\xff\xd9"), "take it again"},
		"too large":   {make([]byte, MostBytes+1), "smaller pictures"},
		"many pixels": {huge, "65535 by 65535 pixels"},
		"half PNG":    {[]byte(pngHead + "\x00\x00\xff\xffIHDR"), "take it again"},
	} {
		t.Run(name, func(t *testing.T) {
			_, _, err := Clean(c.data)
			assert.ErrorContains(t, err, c.says)
		})
	}
}

// Small copies are the right way up, whichever way the phone was held. What each
// orientation means is Exif 2.3, tag 0x0112: where row 0 and column 0 lie.
func TestScaledIsUpright(t *testing.T) {
	corner := map[byte]string{1: "rgbw", 2: "grwb", 3: "wbgr", 4: "bwrg", 5: "rbgw", 6: "brwg", 7: "wgbr", 8: "gwrb"}
	for orientation, want := range corner {
		small, err := Scaled(asFromAPhone(jpegOf(t, quarters(400, 300)), orientation), 100)
		require.NoError(t, err)
		m, err := jpeg.Decode(bytes.NewReader(small))
		require.NoError(t, err)
		w, h := m.Bounds().Dx(), m.Bounds().Dy()
		if orientation >= 5 {
			w, h = h, w
		}
		assert.Equal(t, [2]int{100, 75}, [2]int{w, h})
		got := ""
		for _, p := range [][2]int{{1, 1}, {3, 1}, {1, 3}, {3, 3}} {
			r, g, b, _ := m.At(p[0]*m.Bounds().Dx()/4, p[1]*m.Bounds().Dy()/4).RGBA()
			switch {
			case r > 0xc000 && g > 0xc000 && b > 0xc000:
				got += "w"
			case r > g && r > b:
				got += "r"
			case g > b:
				got += "g"
			default:
				got += "b"
			}
		}
		assert.Equal(t, want, got, "orientation %d", orientation)
	}
}

// A program of others agrees that a cleaned picture is whole, and that nothing
// but the orientation is said of it.
func TestOthersReadWhatIsKept(t *testing.T) {
	kept, _, err := Clean(asFromAPhone(jpegOf(t, quarters(64, 48)), 6))
	require.NoError(t, err)
	path, err := exec.LookPath("file")
	require.NoError(t, err, "this test needs file: install the Debian package file")
	cmd := exec.Command(path, "-")
	cmd.Stdin = bytes.NewReader(kept)
	said, err := cmd.Output()
	require.NoError(t, err)
	assert.Contains(t, string(said), "orientation=upper-right")
	assert.Contains(t, string(said), "64x48")
	assert.NotContains(t, string(said), "GPS")
}

func FuzzClean(f *testing.F) {
	f.Add(asFromAPhone(jpegOf(f, quarters(8, 8)), 6))
	f.Add([]byte(pngHead))
	f.Add([]byte("RIFF\x00\x00\x00\x00WEBPVP8X"))
	f.Fuzz(func(t *testing.T, data []byte) {
		kept, about, err := Clean(data)
		if err != nil {
			return
		}
		again, same, err := Clean(kept)
		require.NoError(t, err)
		require.Equal(t, kept, again)
		require.Equal(t, about.Width, same.Width)
	})
}

func BenchmarkScaled(b *testing.B) {
	b.ReportAllocs()
	kept, _, err := Clean(jpegOf(b, quarters(4000, 3000)))
	require.NoError(b, err)
	for b.Loop() {
		if _, err := Scaled(kept, 1000); err != nil {
			b.Fatal(err)
		}
	}
}
