package node

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	_ "embed" // the image
	"encoding/hex"
	"fmt"
)

// The firmware as built from firmware/ by the compiler of Debian 12; a test
// builds it anew and compares.
//
//go:embed firmware/node.hex
var image []byte

// The version of the firmware that this program was built with.
const (
	FirmwareMajor = 1
	FirmwareMinor = 1
)

// An Image is a firmware to be written into a board.
type Image struct {
	Hex    []byte // Intel HEX, for the flash memory from address 0 on
	Chip   string
	Size   int // bytes of flash memory
	SHA256 string
	Major  int
	Minor  int
}

// Firmware is the image that ships with this program.
func Firmware() Image {
	size, err := hexSize(image)
	if err != nil {
		panic(err) // a test reads it
	}
	sum := sha256.Sum256(image)
	return Image{
		Hex: bytes.Clone(image), Chip: "ATmega328P", Size: size, SHA256: hex.EncodeToString(sum[:]),
		Major: FirmwareMajor, Minor: FirmwareMinor,
	}
}

// String says what it is and how to write it into a board.
func (i Image) String() string {
	return fmt.Sprintf("node firmware %d.%d for the %s at 16 MHz: %d bytes of flash, SHA-256 %s. "+
		"Write it to the flash memory, in Intel HEX, with a programmer or through the board's boot loader, and read it back to verify; "+
		"then give the board a number.",
		i.Major, i.Minor, i.Chip, i.Size, i.SHA256)
}

// hexSize checks every line of an Intel HEX file (records of data and of the
// end, which is all that 32 KiB need) and counts its bytes. Format: Intel,
// Hexadecimal Object File Format Specification, revision A, 1988; from memory.
func hexSize(text []byte) (size int, err error) {
	const dataRecord, endRecord = 0, 1
	lines := bufio.NewScanner(bytes.NewReader(text))
	ended := false
	for n := 1; lines.Scan(); n++ {
		line := lines.Bytes()
		if ended {
			return 0, fmt.Errorf("line %d: something behind the end", n)
		}
		if len(line) < 11 || line[0] != ':' {
			return 0, fmt.Errorf("line %d: no record", n)
		}
		record, err := hex.DecodeString(string(line[1:]))
		if err != nil {
			return 0, fmt.Errorf("line %d: %w", n, err)
		}
		var sum byte
		for _, b := range record {
			sum += b
		}
		kind := record[3]
		switch {
		case int(record[0]) != len(record)-5:
			return 0, fmt.Errorf("line %d: %d bytes where %d belong", n, len(record)-5, record[0])
		case sum != 0:
			return 0, fmt.Errorf("line %d: wrong checksum", n)
		case kind != dataRecord && kind != endRecord:
			return 0, fmt.Errorf("line %d: record of type %d", n, kind)
		}
		size += int(record[0])
		ended = kind == endRecord
	}
	if !ended {
		return 0, fmt.Errorf("no end")
	}
	return size, nil
}
