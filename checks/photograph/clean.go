package photograph

import (
	"bytes"
	"encoding/binary"
	"errors"
	"strings"
)

var errShort = errors.New("it ends too early")

// Markers of JPEG (ISO/IEC 10918-1 table B.1).
const (
	markerEOI  = 0xd9
	markerSOS  = 0xda
	markerAPP0 = 0xe0
	markerAPP1 = 0xe1
	markerAPP2 = 0xe2
	markerAPPE = 0xee
	markerAPPF = 0xef
	markerCOM  = 0xfe
)

// cleanJPEG copies a JPEG up to its end, without what only tells of it.
func cleanJPEG(data []byte, about *About) ([]byte, error) {
	out := append(make([]byte, 0, len(data)), data[:2]...)
	seen, scans := false, false // an Exif segment, a scan
	for at := 2; ; {
		for at+1 < len(data) && data[at] == 0xff && data[at+1] == 0xff {
			at++ // fill bytes
		}
		if at+2 > len(data) {
			return nil, errShort
		}
		if data[at] != 0xff {
			return nil, errors.New("a marker is missing")
		}
		marker := data[at+1]
		switch {
		case marker == markerEOI && scans:
			return append(out, 0xff, markerEOI), nil
		case marker == markerEOI, marker == 0, marker == 1, marker >= 0xd0 && marker <= 0xd8:
			return nil, errors.New("a marker is out of place")
		}
		if at+4 > len(data) {
			return nil, errShort
		}
		end := at + 2 + int(binary.BigEndian.Uint16(data[at+2:]))
		if end < at+4 || end > len(data) {
			return nil, errShort
		}
		segment, body := data[at:end], data[at+4:end]
		switch {
		case marker == markerAPP0 && bytes.HasPrefix(body, []byte("JFIF\x00")) && len(body) >= 14:
			out = append(out, 0xff, markerAPP0, 0, 16) // without its small picture
			out = append(out, body[:12]...)
			out = append(out, 0, 0)
		case marker == markerAPP1 && bytes.HasPrefix(body, []byte(exifHead)) && !seen:
			seen = true
			about.Orientation, about.Taken = readExif(body[len(exifHead):])
			out = append(out, orientationOnly(about.Orientation)...)
		case marker == markerAPP2 && bytes.HasPrefix(body, []byte("ICC_PROFILE\x00")), marker == markerAPPE && bytes.HasPrefix(body, []byte("Adobe")):
			out = append(out, segment...) // its colours
		case marker >= markerAPP0 && marker <= markerAPPF, marker == markerCOM:
		default:
			out = append(out, segment...)
		}
		at = end
		if marker != markerSOS {
			continue
		}
		scans = true
		for at+1 < len(data) && (data[at] != 0xff || data[at+1] == 0 || data[at+1] >= 0xd0 && data[at+1] <= 0xd7) {
			at++
		}
		out = append(out, data[end:min(at, len(data))]...)
	}
}

const exifHead = "Exif\x00\x00"

// orientationOnly is an Exif segment that says which way is up, and nothing else.
func orientationOnly(orientation int) []byte {
	if orientation < 2 || orientation > 8 {
		return nil
	}
	tiff := "MM\x00*\x00\x00\x00\x08" + "\x00\x01" + "\x01\x12\x00\x03\x00\x00\x00\x01\x00" + string(rune(orientation)) + "\x00\x00" + "\x00\x00\x00\x00"
	body := exifHead + tiff
	return append([]byte{0xff, markerAPP1, 0, byte(len(body) + 2)}, body...)
}

// readExif reads the orientation and the camera's time from the TIFF part of Exif;
// what is not there or damaged is left out.
func readExif(tiff []byte) (orientation int, taken string) {
	var order binary.ByteOrder = binary.BigEndian
	if len(tiff) < 8 {
		return 0, ""
	}
	if tiff[0] == 'I' {
		order = binary.LittleEndian
	}
	// tags calls f with each entry of the directory at a place.
	tags := func(at uint32, f func(tag uint16, count uint32, value []byte)) {
		if uint64(at)+2 > uint64(len(tiff)) {
			return
		}
		for i := range uint64(order.Uint16(tiff[at:])) {
			entry := uint64(at) + 2 + 12*i
			if entry+12 > uint64(len(tiff)) {
				return
			}
			e := tiff[entry:]
			f(order.Uint16(e), order.Uint32(e[4:]), e[8:12])
		}
	}
	tags(order.Uint32(tiff[4:]), func(tag uint16, _ uint32, value []byte) {
		switch tag {
		case 0x0112:
			orientation = int(order.Uint16(value))
		case 0x8769: // the Exif directory
			tags(order.Uint32(value), func(tag uint16, count uint32, value []byte) {
				at := order.Uint32(value)
				if tag == 0x9003 && count == 20 && uint64(at)+19 <= uint64(len(tiff)) { // DateTimeOriginal
					taken = string(tiff[at : at+19])
				}
			})
		}
	})
	if strings.Trim(taken, "0123456789: ") != "" {
		taken = ""
	}
	return orientation, taken
}

const pngHead = "\x89PNG\r\n\x1a\n"

// cleanPNG keeps the chunks that make the picture.
func cleanPNG(data []byte) ([]byte, error) {
	out := append(make([]byte, 0, len(data)), pngHead...)
	for at := len(pngHead); ; {
		if at+12 > len(data) {
			return nil, errShort
		}
		size := uint64(binary.BigEndian.Uint32(data[at:]))
		if uint64(at)+12+size > uint64(len(data)) {
			return nil, errShort
		}
		end := at + 12 + int(size) //nolint:gosec // within data
		switch name := string(data[at+4 : at+8]); name {
		case "IHDR", "PLTE", "IDAT", "IEND", "tRNS", "gAMA", "cHRM", "sRGB", "iCCP", "sBIT", "pHYs", "bKGD":
			out = append(out, data[at:end]...)
			if name == "IEND" {
				return out, nil
			}
		}
		at = end
	}
}

// cleanWebP keeps the chunks that make the picture.
func cleanWebP(data []byte) ([]byte, error) {
	out := append(make([]byte, 0, len(data)), data[:12]...)
	limit := min(uint64(len(data)), 8+uint64(binary.LittleEndian.Uint32(data[4:])))
	for at := uint64(12); at+8 <= limit; {
		size := uint64(binary.LittleEndian.Uint32(data[at+4:]))
		end := at + 8 + size + size%2
		if end > limit {
			return nil, errShort
		}
		switch string(data[at : at+4]) {
		case "VP8 ", "VP8L", "ALPH", "ICCP":
			out = append(out, data[at:end]...)
		case "VP8X":
			out = append(out, data[at:end]...)
			if size > 0 {
				out[len(out)-int(end-at)+8] &^= 0x0c //nolint:gosec // says that there are Exif and XMP chunks
			}
		}
		at = end
	}
	binary.LittleEndian.PutUint32(out[4:], uint32(len(out)-8)) //nolint:gosec // shorter than data
	return out, nil
}
