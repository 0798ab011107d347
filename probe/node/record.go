package node

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"loomproof/probe"
)

// RecordSize is how many bytes a calibration takes on the board.
const RecordSize = 56

// MaxReference is the longest identity of a reference, in bytes.
const MaxReference = 28

// slots is for how many channels a board keeps a calibration: eight of its
// converter, two of its shunt monitor.
const slots = 10

const (
	recordFormat = 1
	recordErased = 0xFF
)

// A Record is a calibration as the board keeps it: absolute, so that the board
// alone says what a volt at its pin stands for. The layout is on boards in the
// field and never changes: PROTOCOL.md.
//
//	value = Scale × volts at the pin + Offset
type Record struct {
	Pin      int
	Quantity probe.Quantity
	Scale    float64 // unit per volt; kept to 24 bits
	Offset   float64 // unit
	// Standard uncertainties (k = 1) of the two, and their correlation.
	ScaleU, OffsetU, Correlation float64
	Day                          time.Time // UTC
	Reference                    string    // what it was compared with
}

// What a record can be that is none.
var (
	errErased  = errors.New("no calibration")
	errDamaged = errors.New("its checksum is wrong")
)

// Quantities by their number in a record.
var recordQuantities = []probe.Quantity{1: probe.Voltage, probe.Current, probe.Resistance, probe.Temperature, probe.Frequency}

var recordEpoch = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// ParseRecord reads what stands on the board.
func ParseRecord(b []byte) (Record, error) {
	switch {
	case len(b) < RecordSize:
		return Record{}, tooShort("calibration", b, RecordSize)
	case isErased(b[:RecordSize]):
		return Record{}, errErased
	case checksum(b[:RecordSize]) != 0:
		return Record{}, errDamaged
	case b[0] != recordFormat:
		return Record{}, fmt.Errorf("it is of format %d, this program knows %d", b[0], recordFormat)
	case b[2] == 0 || int(b[2]) >= len(recordQuantities) || b[1] >= slots:
		return Record{}, fmt.Errorf("channel %d and quantity %d are none that this program knows", b[1], b[2])
	}
	float := func(at int) float64 { return float64(math.Float32frombits(binary.LittleEndian.Uint32(b[at:]))) }
	r := Record{
		Pin: int(b[1]), Quantity: recordQuantities[b[2]],
		Day:   recordEpoch.AddDate(0, 0, int(binary.LittleEndian.Uint16(b[3:]))),
		Scale: float(5), Offset: float(9), ScaleU: float(13), OffsetU: float(17), Correlation: float(21),
		Reference: strings.TrimRight(string(b[25:53]), "\x00"),
	}
	if err := r.check(); err != nil {
		return Record{}, err
	}
	return r, nil
}

// Append appends the record with its checksum.
func (r Record) Append(b []byte) []byte {
	begin := len(b)
	quantity := 0
	for i, q := range recordQuantities {
		if q == r.Quantity {
			quantity = i
		}
	}
	b = append(b, recordFormat, byte(r.Pin), byte(quantity))
	b = binary.LittleEndian.AppendUint16(b, uint16(r.Day.Sub(recordEpoch)/(24*time.Hour)))
	for _, v := range []float64{r.Scale, r.Offset, r.ScaleU, r.OffsetU, r.Correlation} {
		b = binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(v)))
	}
	var name [MaxReference + 1]byte // and a byte for later
	copy(name[:MaxReference], r.Reference)
	b = append(b, name[:]...)
	return binary.BigEndian.AppendUint16(b, checksum(b[begin:]))
}

// isErased: all ones, but that the channel may stand in it.
func isErased(b []byte) bool {
	for i, v := range b {
		if v != recordErased && i != 1 {
			return false
		}
	}
	return true
}

func erasedRecord(pin int) []byte {
	b := make([]byte, RecordSize)
	for i := range b {
		b[i] = recordErased
	}
	b[1] = byte(pin) // which one
	return b
}

func (r Record) check() error {
	last := recordEpoch.AddDate(0, 0, math.MaxUint16)
	switch {
	case !isFinite(r.Scale) || r.Scale == 0 || !isFinite(r.Offset):
		return fmt.Errorf("scale %v and offset %v must be numbers, the scale not zero", r.Scale, r.Offset)
	case !(r.ScaleU >= 0) || !(r.OffsetU >= 0) || math.IsInf(r.ScaleU+r.OffsetU, 0):
		return fmt.Errorf("uncertainties %v and %v must be numbers of at least 0", r.ScaleU, r.OffsetU)
	case !(math.Abs(r.Correlation) <= 1):
		return fmt.Errorf("correlation %v is outside -1 to 1", r.Correlation)
	case r.Day.Before(recordEpoch) || r.Day.After(last):
		return fmt.Errorf("day %s is outside %s to %s", r.Day.Format(time.DateOnly), recordEpoch.Format(time.DateOnly), last.Format(time.DateOnly))
	case r.Reference == "" || len(r.Reference) > MaxReference || !utf8.ValidString(r.Reference) || strings.ContainsRune(r.Reference, 0):
		return fmt.Errorf("reference %q must have 1 to %d bytes", r.Reference, MaxReference)
	}
	return nil
}

// uncertainty is the standard uncertainty that the calibration leaves at so
// many volts at the pin, in the unit (JCGM 100:2008, 5.2.2).
func (r Record) uncertainty(volts float64) float64 {
	s := volts * r.ScaleU
	return math.Sqrt(max(0, s*s+r.OffsetU*r.OffsetU+2*r.Correlation*s*r.OffsetU))
}
