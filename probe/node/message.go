package node

import (
	"encoding/binary"
	"fmt"
	"math/bits"
)

// ProtocolVersion is the version of the wire format that this package speaks.
const ProtocolVersion = 1

// NoID is the number of a board that was never given one.
const NoID = 0xFFFFFFFF

// NoChannel stands in [State.Channel] where no channel is to blame.
const NoChannel = 0xFF

// Hello is how a board introduces itself.
type Hello struct {
	Protocol      uint8
	Major, Minor  uint8 // of the firmware
	Started       bool  // the board has just started; else it was asked
	ID            uint32
	Channels      uint8
	Bits          uint8 // of the converter
	ReferenceMV   uint16
	TickHz        uint32 // of the device clock
	Clock         uint32 // now
	ShortestTicks uint16 // between two conversions
	LongestTicks  uint16
	HostSilenceMS uint16 // after which the board cuts power

	// Boards before firmware 1.1 do not tell these: they are zero then.
	KeepsCalibration bool
	HasMonitor       bool   // a shunt monitor answered when the board started
	MonitorBusUV     uint16 // one step of its bus voltage, in µV
	MonitorShuntNV   uint16 // one step of its shunt voltage, in nV
}

const (
	helloSize   = 26
	helloExtras = 5 // behind it, from firmware 1.1 on

	hasCalibration = 0x01
	hasMonitor     = 0x02
)

// ParseHello reads the body of a hello. Longer bodies are later versions'.
func ParseHello(b []byte) (Hello, error) {
	if len(b) < helloSize {
		return Hello{}, tooShort("hello", b, helloSize)
	}
	le := binary.LittleEndian
	h := Hello{
		Protocol: b[0], Major: b[1], Minor: b[2], Started: b[3] != 0,
		ID: le.Uint32(b[4:]), Channels: b[8], Bits: b[9], ReferenceMV: le.Uint16(b[10:]),
		TickHz: le.Uint32(b[12:]), Clock: le.Uint32(b[16:]),
		ShortestTicks: le.Uint16(b[20:]), LongestTicks: le.Uint16(b[22:]), HostSilenceMS: le.Uint16(b[24:]),
	}
	if len(b) >= helloSize+helloExtras {
		h.KeepsCalibration, h.HasMonitor = b[26]&hasCalibration != 0, b[26]&hasMonitor != 0
		h.MonitorBusUV, h.MonitorShuntNV = le.Uint16(b[27:]), le.Uint16(b[29:])
	}
	return h, nil
}

// Append appends the body.
func (h Hello) Append(b []byte) []byte {
	le := binary.LittleEndian
	b = append(b, h.Protocol, h.Major, h.Minor, oneIf(h.Started))
	b = le.AppendUint32(b, h.ID)
	b = append(b, h.Channels, h.Bits)
	b = le.AppendUint16(b, h.ReferenceMV)
	b = le.AppendUint32(b, h.TickHz)
	b = le.AppendUint32(b, h.Clock)
	b = le.AppendUint16(b, h.ShortestTicks)
	b = le.AppendUint16(b, h.LongestTicks)
	b = le.AppendUint16(b, h.HostSilenceMS)
	b = append(b, oneIf(h.KeepsCalibration)*hasCalibration|oneIf(h.HasMonitor)*hasMonitor)
	b = le.AppendUint16(b, h.MonitorBusUV)
	return le.AppendUint16(b, h.MonitorShuntNV)
}

// Samples is a block of scans, evenly spaced.
type Samples struct {
	First  uint32 // number of the first scan since the start of the stream
	Clock  uint32 // device clock when the first conversion of that scan began
	Period uint32 // ticks from scan to scan, as it really is
	Mask   uint8  // the channels, bit 0 is channel 0
	Shift  uint8  // each sample is the sum of 1 << Shift conversions
	Scans  uint8
	sums   []byte
}

const (
	samplesHeader = 15
	maxShift      = 6
	// MaxBlockSamples is the most samples that a block holds.
	MaxBlockSamples = (maxFrame - 3 - samplesHeader) / 2
)

// ParseSamples reads the body of a block without copying it: the Samples are
// good as long as b is.
func ParseSamples(b []byte) (Samples, error) {
	if len(b) < samplesHeader {
		return Samples{}, tooShort("samples", b, samplesHeader)
	}
	le := binary.LittleEndian
	s := Samples{
		First: le.Uint32(b), Clock: le.Uint32(b[4:]), Period: le.Uint32(b[8:]),
		Mask: b[12], Shift: b[13], Scans: b[14], sums: b[samplesHeader:],
	}
	want := 2 * int(s.Scans) * s.Channels()
	switch {
	case s.Mask == 0 || s.Scans == 0 || s.Period == 0 || s.Shift > maxShift:
		return Samples{}, fmt.Errorf("samples: %w: mask %#02x, %d scans, period %d, shift %d", ErrBadFrame, s.Mask, s.Scans, s.Period, s.Shift)
	case len(s.sums) != want:
		return Samples{}, fmt.Errorf("samples: %w: %d bytes of samples where %d belong", ErrBadFrame, len(s.sums), want)
	}
	return s, nil
}

// Append appends the body with these sums, scan after scan.
func (s Samples) Append(b []byte, sums []uint16) []byte {
	le := binary.LittleEndian
	b = le.AppendUint32(b, s.First)
	b = le.AppendUint32(b, s.Clock)
	b = le.AppendUint32(b, s.Period)
	b = append(b, s.Mask, s.Shift, s.Scans)
	for _, v := range sums {
		b = le.AppendUint16(b, v)
	}
	return b
}

// Channels is how many samples a scan has.
func (s Samples) Channels() int { return bits.OnesCount8(s.Mask) }

// Len is how many samples the block has.
func (s Samples) Len() int { return len(s.sums) / 2 }

// Sum is sample i, counted through all scans.
func (s Samples) Sum(i int) uint16 { return binary.LittleEndian.Uint16(s.sums[2*i:]) }

// Why says what made the output as it is.
type Why uint8

// The reasons. Numbers on the wire.
const (
	WhyStarted    Why = 0
	WhyCommand    Why = 1
	WhyHostSilent Why = 2
	WhyLimit      Why = 3
	WhyNotWatched Why = 4
)

func (w Why) String() string {
	switch w {
	case WhyStarted:
		return "the board has just started"
	case WhyCommand:
		return "commanded"
	case WhyHostSilent:
		return "the host fell silent"
	case WhyLimit:
		return "a limit was passed"
	case WhyNotWatched:
		return "a limited channel is not sampled"
	}
	return fmt.Sprintf("reason %d", uint8(w))
}

// State is how the cut-out output stands.
type State struct {
	On      bool // power is allowed
	Why     Why
	Channel uint8  // with WhyLimit, which; else NoChannel
	Sample  uint16 // with WhyLimit, the sum that passed it
	Since   uint32 // device clock of the last change
	Clock   uint32 // now
	Tag     uint8  // of the last keep-alive
}

const stateSize = 14

// ParseState reads the body of a state.
func ParseState(b []byte) (State, error) {
	if len(b) < stateSize {
		return State{}, tooShort("state", b, stateSize)
	}
	le := binary.LittleEndian
	return State{
		On: b[0] != 0, Why: Why(b[1]), Channel: b[2], Sample: le.Uint16(b[3:]),
		Since: le.Uint32(b[5:]), Clock: le.Uint32(b[9:]), Tag: b[13],
	}, nil
}

// Append appends the body.
func (s State) Append(b []byte) []byte {
	le := binary.LittleEndian
	b = append(b, oneIf(s.On), byte(s.Why), s.Channel)
	b = le.AppendUint16(b, s.Sample)
	b = le.AppendUint32(b, s.Since)
	b = le.AppendUint32(b, s.Clock)
	return append(b, s.Tag)
}

// A Code says what became of a command.
type Code uint8

// The codes. Numbers on the wire.
const (
	Done         Code = 0
	UnknownType  Code = 1
	WrongLength  Code = 2
	OutOfRange   Code = 3
	TooFast      Code = 4
	Refused      Code = 5
	DamagedFrame Code = 6
	SamplesLost  Code = 7
	Absent       Code = 8
)

func (c Code) String() string {
	switch c {
	case Done:
		return "done"
	case UnknownType:
		return "unknown command"
	case WrongLength:
		return "wrong length"
	case OutOfRange:
		return "out of range"
	case TooFast:
		return "too fast for the converter"
	case Refused:
		return "refused"
	case DamagedFrame:
		return "the board got a damaged frame"
	case SamplesLost:
		return "the board lost samples"
	case Absent:
		return "the board has found no shunt monitor"
	}
	return fmt.Sprintf("code %d", uint8(c))
}

// Note answers a command, or with To zero tells something unasked.
type Note struct {
	To     Type
	Code   Code
	Detail uint16
}

const noteSize = 4

// ParseNote reads the body of a note.
func ParseNote(b []byte) (Note, error) {
	if len(b) < noteSize {
		return Note{}, tooShort("note", b, noteSize)
	}
	return Note{To: Type(b[0]), Code: Code(b[1]), Detail: binary.LittleEndian.Uint16(b[2:])}, nil
}

// Append appends the body.
func (n Note) Append(b []byte) []byte {
	return binary.LittleEndian.AppendUint16(append(b, byte(n.To), byte(n.Code)), n.Detail)
}

// Start asks for a stream.
type Start struct {
	Mask   uint8
	Shift  uint8  // sums of 1 << Shift conversions, 0 to 6
	Period uint32 // ticks from scan to scan; the board may shorten it to a whole number of ticks between conversions

	// BlockMS is how long a block may get, 1 to 20 ms; 0 is 20. Boards before
	// firmware 1.1 do not look at it.
	BlockMS uint8
}

const startSize = 6

// ParseStart reads the body of a start command.
func ParseStart(b []byte) (Start, error) {
	if len(b) < startSize {
		return Start{}, tooShort("start", b, startSize)
	}
	s := Start{Mask: b[0], Shift: b[1], Period: binary.LittleEndian.Uint32(b[2:])}
	if len(b) > startSize {
		s.BlockMS = b[startSize]
	}
	return s, nil
}

// Append appends the body.
func (s Start) Append(b []byte) []byte {
	return append(binary.LittleEndian.AppendUint32(append(b, s.Mask, s.Shift), s.Period), s.BlockMS)
}

// Limit is a hard limit on a channel, in codes of one conversion. Low 0 and
// high at the converter's top or above are no limit.
type Limit struct {
	Channel   uint8
	Low, High uint16
}

const limitSize = 5

// ParseLimit reads the body of a limit command.
func ParseLimit(b []byte) (Limit, error) {
	if len(b) < limitSize {
		return Limit{}, tooShort("limit", b, limitSize)
	}
	le := binary.LittleEndian
	return Limit{Channel: b[0], Low: le.Uint16(b[1:]), High: le.Uint16(b[3:])}, nil
}

// Append appends the body.
func (l Limit) Append(b []byte) []byte {
	le := binary.LittleEndian
	return le.AppendUint16(le.AppendUint16(append(b, l.Channel), l.Low), l.High)
}

// A MonitorSample is one reading of the shunt monitor, in its own steps.
type MonitorSample struct {
	Number uint32 // since it was started; a gap tells of readings that failed
	Clock  uint32 // nothing in it was converted before
	Lost   bool   // the monitor answers no more; the codes mean nothing
	Bus    int16
	Shunt  int16
}

const monitorSize = 13

// ParseMonitor reads the body of a monitor sample.
func ParseMonitor(b []byte) (MonitorSample, error) {
	if len(b) < monitorSize {
		return MonitorSample{}, tooShort("monitor sample", b, monitorSize)
	}
	le := binary.LittleEndian
	return MonitorSample{
		Number: le.Uint32(b), Clock: le.Uint32(b[4:]), Lost: b[8] != 0,
		Bus: int16(le.Uint16(b[9:])), Shunt: int16(le.Uint16(b[11:])),
	}, nil
}

// Append appends the body.
func (m MonitorSample) Append(b []byte) []byte {
	le := binary.LittleEndian
	b = le.AppendUint32(b, m.Number)
	b = le.AppendUint32(b, m.Clock)
	b = append(b, oneIf(m.Lost))
	b = le.AppendUint16(b, uint16(m.Bus))
	return le.AppendUint16(b, uint16(m.Shunt))
}

func tooShort(what string, b []byte, want int) error {
	return fmt.Errorf("%s: %w: %d bytes where %d belong", what, ErrBadFrame, len(b), want)
}

func oneIf(yes bool) byte {
	if yes {
		return 1
	}
	return 0
}
