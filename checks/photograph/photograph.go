// Package photograph makes of what a camera gives a picture that can be kept as
// evidence, and small copies of it for paper.
//
//	kept, about, err := photograph.Clean(data)        // before its hash is taken
//	small, err := photograph.Scaled(kept, 1000)       // for the report
//
// [Clean] takes out what a picture tells besides the picture: where it was taken,
// with what serial number, earlier versions and short films behind its end. What
// is left is the picture as it was packed by the camera, byte for byte, its
// colours and which way is up. So the hash is of what is kept, and a
// builder can hand a worksheet over without handing over where the hangar stands. The
// camera's own time is told, as a remark: nothing proves it.
//
// JPEG (ISO/IEC 10918-1, JFIF, Exif 2.3 from memory), PNG (W3C, third edition,
// from memory) and WebP (RFC 9649, from memory) are read.
package photograph

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"

	"golang.org/x/image/draw"
	"golang.org/x/image/webp"
)

// The most that is taken: what the cameras of phones give with room to spare.
const (
	MostBytes  = 20 << 20
	MostPixels = 64_000_000
)

// About says what a picture is.
type About struct {
	Type          string // image/jpeg, image/png or image/webp
	Width, Height int    // pixels, as packed: the way up may be another
	Taken         string // by the camera's clock, as it wrote it; "" if it did not
	Orientation   int    // 1 to 8 as Exif has it; 1 is upright
}

// Endings are the endings of file names by type.
var Endings = map[string]string{"image/jpeg": ".jpg", "image/png": ".png", "image/webp": ".webp"}

// Clean checks a picture and gives what is to be kept of it. An error says what is
// wrong and what to do. Cleaning twice changes nothing more.
func Clean(data []byte) (kept []byte, about About, err error) {
	if len(data) > MostBytes {
		return nil, about, fmt.Errorf("the picture has %d MB, at most %d are kept: set the camera to smaller pictures", len(data)>>20, MostBytes>>20)
	}
	var size func(b []byte) (image.Config, error)
	switch {
	case len(data) == 0:
		return nil, about, errors.New("the picture is empty")
	case bytes.HasPrefix(data, []byte("\xff\xd8")):
		about.Type, size = "image/jpeg", func(b []byte) (image.Config, error) { return jpeg.DecodeConfig(bytes.NewReader(b)) }
		kept, err = cleanJPEG(data, &about)
	case bytes.HasPrefix(data, []byte(pngHead)):
		about.Type, size = "image/png", func(b []byte) (image.Config, error) { return png.DecodeConfig(bytes.NewReader(b)) }
		kept, err = cleanPNG(data)
	case len(data) > 12 && string(data[:4]) == "RIFF" && string(data[8:12]) == "WEBP":
		about.Type, size = "image/webp", func(b []byte) (image.Config, error) { return webp.DecodeConfig(bytes.NewReader(b)) }
		kept, err = cleanWebP(data)
	default:
		return nil, about, errors.New("it is no JPEG, PNG or WebP picture: set the camera to JPEG (some call it: most compatible)")
	}
	if err != nil {
		return nil, about, fmt.Errorf("the picture is damaged (%w): take it again", err)
	}
	c, err := size(kept)
	if err != nil {
		return nil, about, fmt.Errorf("the picture is damaged (%w): take it again", err)
	}
	if c.Width < 1 || c.Height < 1 || c.Width > MostPixels/c.Height {
		return nil, about, fmt.Errorf("the picture has %d by %d pixels, at most %d million are kept: set the camera to smaller pictures", c.Width, c.Height, MostPixels/1_000_000)
	}
	about.Width, about.Height = c.Width, c.Height
	about.Orientation = max(1, about.Orientation)
	return kept, about, nil
}

// Scaled makes a JPEG of a kept picture, the right way up, whose longer side has
// at most so many pixels.
func Scaled(kept []byte, longest int) ([]byte, error) {
	_, about, err := Clean(kept) // whatever stands in a store: bounds first
	if err != nil {
		return nil, err
	}
	decode := map[string]func([]byte) (image.Image, error){
		"image/jpeg": func(b []byte) (image.Image, error) { return jpeg.Decode(bytes.NewReader(b)) },
		"image/png":  func(b []byte) (image.Image, error) { return png.Decode(bytes.NewReader(b)) },
		"image/webp": func(b []byte) (image.Image, error) { return webp.Decode(bytes.NewReader(b)) },
	}[about.Type]
	full, err := decode(kept)
	if err != nil {
		return nil, fmt.Errorf("the picture cannot be drawn: %w", err)
	}
	from := full.Bounds()
	w, h := from.Dx(), from.Dy()
	if longer := max(w, h); longer > longest {
		w, h = max(1, w*longest/longer), max(1, h*longest/longer)
	}
	small := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(small, small.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src)
	draw.ApproxBiLinear.Scale(small, small.Bounds(), full, from, draw.Over, nil)
	var out bytes.Buffer
	err = jpeg.Encode(&out, upright(small, about.Orientation), &jpeg.Options{Quality: 80})
	return out.Bytes(), err
}

// upright turns and mirrors a picture as its orientation says (Exif tag 0x0112).
func upright(from *image.RGBA, orientation int) image.Image {
	if orientation < 2 || orientation > 8 {
		return from
	}
	w, h := from.Rect.Dx(), from.Rect.Dy()
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	if orientation >= 5 {
		out = image.NewRGBA(image.Rect(0, 0, h, w))
	}
	for y := range h {
		for x := range w {
			at := [...][2]int{
				2: {w - 1 - x, y}, 3: {w - 1 - x, h - 1 - y}, 4: {x, h - 1 - y},
				5: {y, x}, 6: {h - 1 - y, x}, 7: {h - 1 - y, w - 1 - x}, 8: {y, w - 1 - x},
			}[orientation]
			out.SetRGBA(at[0], at[1], from.RGBAAt(x, y))
		}
	}
	return out
}
