package port

import (
	"fmt"
	"strconv"
	"strings"

	"go.bug.st/serial"
)

// Mode is how a line is set: the instrument's menu or manual says it. Fields
// that are zero mean 9600 Bd, 8 data bits, no parity, 1 stop bit.
type Mode struct {
	Baud     int // symbols per second, 50 to 12 000 000
	DataBits int // 5 to 8
	Parity   Parity
	StopBits StopBits
}

// Parity is the check bit of each character.
type Parity int

// The parities.
const (
	NoParity Parity = iota
	OddParity
	EvenParity
	MarkParity
	SpaceParity
)

// StopBits is how long the line rests after each character.
type StopBits int

// The stop bits.
const (
	OneStopBit StopBits = iota
	OneAndHalfStopBits
	TwoStopBits
)

const parityLetters = "NOEMS"

var stopBitNames = []string{"1", "1.5", "2"}

// ParseMode reads a mode as instruments' manuals write it: the speed, then
// data bits, parity (N, O, E, M, S) and stop bits, with a space or a dash
// between: "9600 8N1", "19200-7E2". The speed alone means 8N1.
func ParseMode(text string) (Mode, error) {
	speed, frame, hasFrame := strings.Cut(strings.ReplaceAll(strings.TrimSpace(text), "-", " "), " ")
	m := Mode{DataBits: 8}
	var err error
	if m.Baud, err = strconv.Atoi(speed); err != nil {
		return Mode{}, modeError(text, "the speed is not a whole number")
	}
	if hasFrame {
		if err := m.parseFrame(strings.ToUpper(strings.TrimSpace(frame))); err != nil {
			return Mode{}, modeError(text, err.Error())
		}
	}
	if err := m.check(); err != nil {
		return Mode{}, modeError(text, err.Error())
	}
	return m, nil
}

func modeError(text, why string) error {
	return fmt.Errorf("mode %q: %s; write it like 9600 8N1", text, why)
}

// parseFrame reads the part after the speed, as 8N1.
func (m *Mode) parseFrame(frame string) error {
	if len(frame) < 3 {
		return fmt.Errorf("%q is not data bits, parity and stop bits", frame)
	}
	m.DataBits = int(frame[0] - '0')
	parity := strings.IndexByte(parityLetters, frame[1])
	if parity < 0 {
		return fmt.Errorf("parity %q is none of N, O, E, M, S", frame[1:2])
	}
	m.Parity = Parity(parity)
	for i, name := range stopBitNames {
		if frame[2:] == name {
			m.StopBits = StopBits(i)
			return nil
		}
	}
	return fmt.Errorf("stop bits %q are none of 1, 1.5, 2", frame[2:])
}

// withDefaults fills in what is zero.
func (m Mode) withDefaults() Mode {
	if m.Baud == 0 {
		m.Baud = 9600
	}
	if m.DataBits == 0 {
		m.DataBits = 8
	}
	return m
}

func (m Mode) check() error {
	switch {
	case m.Baud < 50 || m.Baud > 12_000_000:
		return fmt.Errorf("speed %d is outside 50 to 12000000", m.Baud)
	case m.DataBits < 5 || m.DataBits > 8:
		return fmt.Errorf("%d data bits are outside 5 to 8", m.DataBits)
	case m.Parity < 0 || int(m.Parity) >= len(parityLetters):
		return fmt.Errorf("parity %d is unknown", m.Parity)
	case m.StopBits < 0 || int(m.StopBits) >= len(stopBitNames):
		return fmt.Errorf("stop bits %d are unknown", m.StopBits)
	}
	return nil
}

// String writes the mode as [ParseMode] reads it.
func (m Mode) String() string {
	m = m.withDefaults()
	if err := m.check(); err != nil {
		return "bad mode: " + err.Error()
	}
	return fmt.Sprintf("%d %d%c%s", m.Baud, m.DataBits, parityLetters[m.Parity], stopBitNames[m.StopBits])
}

// MarshalText writes the mode as [ParseMode] reads it.
func (m Mode) MarshalText() ([]byte, error) {
	if err := m.withDefaults().check(); err != nil {
		return nil, err
	}
	return []byte(m.String()), nil
}

// UnmarshalText is [ParseMode].
func (m *Mode) UnmarshalText(text []byte) error {
	parsed, err := ParseMode(string(text))
	if err != nil {
		return err
	}
	*m = parsed
	return nil
}

// native is the mode in the serial library's words.
func (m Mode) native() *serial.Mode {
	return &serial.Mode{
		BaudRate: m.Baud,
		DataBits: m.DataBits,
		Parity:   []serial.Parity{serial.NoParity, serial.OddParity, serial.EvenParity, serial.MarkParity, serial.SpaceParity}[m.Parity],
		StopBits: []serial.StopBits{serial.OneStopBit, serial.OnePointFiveStopBits, serial.TwoStopBits}[m.StopBits],
	}
}
