package modbus

import (
	"encoding/binary"
	"fmt"
	"math"
)

// A Kind is how a value stands in registers.
type Kind string

// The kinds.
const (
	Int16   Kind = "int16"
	Uint16  Kind = "uint16"
	Int32   Kind = "int32"
	Uint32  Kind = "uint32"
	Float32 Kind = "float32" // IEEE 754
)

var kinds = []Kind{Int16, Uint16, Int32, Uint32, Float32}

// registers is how many of 16 bits it takes.
func (k Kind) registers() uint16 {
	if k == Int16 || k == Uint16 {
		return 1
	}
	return 2
}

// An Order is in which order the bytes of a value come, A being the highest.
// ABCD is the standard's; a meter that puts the low register first sends CDAB.
type Order string

// The orders. Of 16 bits only the first two letters of each register count: ABCD and
// CDAB are AB, BADC and DCBA are BA.
const (
	ABCD Order = "ABCD"
	CDAB Order = "CDAB"
	BADC Order = "BADC"
	DCBA Order = "DCBA"
)

var orders = []Order{ABCD, CDAB, BADC, DCBA}

// bits are the value's bits, of data as they came: two or four bytes.
func (o Order) bits(data []byte) uint32 {
	swapped := o == BADC || o == DCBA
	word := func(p []byte) uint32 {
		if swapped {
			return uint32(binary.LittleEndian.Uint16(p))
		}
		return uint32(binary.BigEndian.Uint16(p))
	}
	first := word(data)
	if len(data) == 2 {
		return first
	}
	second := word(data[2:])
	if o == CDAB || o == DCBA {
		first, second = second, first
	}
	return first<<16 | second
}

// number is the register's value before scaling.
func (k Kind) number(bits uint32) float64 {
	switch k {
	case Int16:
		return float64(int16(bits))
	case Int32:
		return float64(int32(bits))
	case Float32:
		return float64(math.Float32frombits(bits))
	}
	return float64(bits)
}

// raw writes the bits for messages.
func (k Kind) raw(bits uint32) string {
	return fmt.Sprintf("%0*Xh", 4*k.registers(), bits)
}
