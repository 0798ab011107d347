package bench

import (
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"time"
)

// ModbusFaults are what such meters and their lines do wrong. The zero value
// does nothing wrong.
type ModbusFaults struct {
	Silent    bool          // takes everything and answers nothing
	Echo      bool          // the line sends back what the program sends
	Late      time.Duration // each answer comes this much later
	Leading   string        // sent before each answer, as a line driver's glitch
	Trailing  string        // sent after each answer
	Twice     bool          // sends each answer twice
	AsAddress byte          // answers with this address in place of its own
	Exception byte          // refuses everything with this code
	Short     int           // leaves out so many bytes at the end
	Alter     float64       // chance that a bit is changed on the line
	Drop      float64       // chance that a byte is lost on the line
	Pause     time.Duration // between each two bytes of an answer
}

// Modbus is an emulated meter on a Modbus RTU line: registers that are read
// with the function codes 3 and 4.
type Modbus struct {
	address byte

	mu     sync.Mutex
	cells  map[cell]func() uint16
	faults ModbusFaults
	random *rand.Rand
}

// A cell is one register of 16 bits.
type cell struct {
	function byte
	register uint16
}

// NewModbus makes a meter without registers; 1 to 247 is its address on the line.
func NewModbus(address byte, seed uint64) *Modbus {
	return &Modbus{address: address, cells: map[cell]func() uint16{}, random: rand.New(rand.NewPCG(seed, 0x3b))}
}

// Words puts values into registers from the given one on, for one function code.
func (m *Modbus) Words(function byte, register uint16, words ...uint16) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for i, w := range words {
		m.cells[cell{function, register + uint16(i)}] = func() uint16 { return w }
	}
}

// Float puts a value that changes into two registers, as IEEE 754 single
// precision, the high half first or last. It is asked once for each answer that
// begins there.
func (m *Modbus) Float(function byte, register uint16, lowFirst bool, value func() float64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var bits uint32
	at := [2]uint16{register, register + 1}
	if lowFirst {
		slices.Reverse(at[:])
	}
	sample := func(half func() uint16, first bool) func() uint16 {
		return func() uint16 {
			if first {
				bits = math.Float32bits(float32(value()))
			}
			return half()
		}
	}
	m.cells[cell{function, at[0]}] = sample(func() uint16 { return uint16(bits >> 16) }, !lowFirst)
	m.cells[cell{function, at[1]}] = sample(func() uint16 { return uint16(bits) }, lowFirst)
}

// SetFaults puts faults in, or with the zero value takes them out.
func (m *Modbus) SetFaults(f ModbusFaults) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.faults = f
}

// Serve answers on the instrument's end of a line until the line closes, and
// then returns nil.
func (m *Modbus) Serve(rw io.ReadWriteCloser) error {
	chunk, came := make([]byte, 256), []byte(nil)
	for {
		n, err := rw.Read(chunk)
		if err != nil {
			return unlessClosed(err)
		}
		came = append(came, chunk[:n]...)
		if m.echoes() {
			if _, err := rw.Write(chunk[:n]); err != nil {
				return unlessClosed(err)
			}
		}
		// A request that reads has eight bytes; it is whole when its last two fit.
		for len(came) >= 8 {
			request := came[:8]
			if sum := remainder(request[:6]); request[6] != byte(sum) || request[7] != byte(sum>>8) {
				came = came[1:]
				continue
			}
			if err := m.reply(rw, request); err != nil {
				return unlessClosed(err)
			}
			came = came[8:]
		}
	}
}

func (m *Modbus) echoes() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.faults.Echo
}

// reply sends the answer to a request, as the faults let it arrive.
func (m *Modbus) reply(w io.Writer, request []byte) error {
	m.mu.Lock()
	f := m.faults
	frame := m.answer(request)
	line := m.line(frame)
	m.mu.Unlock()
	if f.Silent || frame == nil {
		return nil
	}
	wait(f.Late)
	if f.Pause == 0 {
		_, err := w.Write(line)
		return err
	}
	for i := range line {
		wait(f.Pause)
		if _, err := w.Write(line[i : i+1]); err != nil {
			return err
		}
	}
	return nil
}

// answer is what a good meter sends; nil when it is not asked.
func (m *Modbus) answer(request []byte) []byte {
	if request[0] != m.address {
		return nil
	}
	function, first, count := request[1], uint16(request[2])<<8|uint16(request[3]), int(request[4])<<8|int(request[5])
	as := m.address
	if m.faults.AsAddress != 0 {
		as = m.faults.AsAddress
	}
	refuse := func(code byte) []byte { return finish([]byte{as, function | 0x80, code}) }
	switch {
	case m.faults.Exception != 0:
		return refuse(m.faults.Exception)
	case function != 3 && function != 4:
		return refuse(1)
	case count < 1 || count > 125:
		return refuse(3)
	}
	frame := []byte{as, function, byte(2 * count)}
	for i := range count {
		read, ok := m.cells[cell{function, first + uint16(i)}]
		if !ok {
			return refuse(2)
		}
		word := read()
		frame = append(frame, byte(word>>8), byte(word))
	}
	return finish(frame)
}

// line is what a bad line makes of an answer.
func (m *Modbus) line(frame []byte) []byte {
	f := m.faults
	frame = frame[:max(0, len(frame)-f.Short)]
	line := append([]byte(f.Leading), frame...)
	if f.Twice {
		line = append(line, frame...)
	}
	line = append(line, f.Trailing...)
	arrives := line[:0]
	for _, b := range line {
		if m.random.Float64() < f.Drop {
			continue
		}
		for bit := range 8 {
			if m.random.Float64() < f.Alter {
				b ^= 1 << bit
			}
		}
		arrives = append(arrives, b)
	}
	return arrives
}

// finish puts the check sum behind a frame, low byte first.
func finish(frame []byte) []byte {
	sum := remainder(frame)
	return append(frame, byte(sum), byte(sum>>8))
}

// remainder is the CRC by long division, bit by bit, as the serial-line guide
// describes it: all ones to begin with, the bits of each byte from the lowest.
func remainder(p []byte) uint16 {
	register := uint16(0xFFFF)
	for _, b := range p {
		register ^= uint16(b)
		for range 8 {
			out := register & 1
			register >>= 1
			if out == 1 {
				register ^= 0xA001
			}
		}
	}
	return register
}
