package bench

import (
	"testing"
	"time"

	"github.com/simonvetter/modbus"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The emulated meter answers a Modbus library that others wrote, over a
// pseudo-terminal: so what our driver reads of it is Modbus, and not our own opinion of it.
func TestModbusAnswersAnotherLibrary(t *testing.T) {
	cable, err := NewCable()
	require.NoError(t, err)
	defer cable.Close()
	meter := NewModbus(17, 1)
	meter.Words(3, 0x6B, 555, 0, 100)
	meter.Words(4, 8, 10)
	meter.Float(3, 0x100, false, func() float64 { return 12.5 })
	meter.Float(3, 0x102, true, func() float64 { return -0.125 })
	go meter.Serve(cable.Device())

	client, err := modbus.NewClient(&modbus.ClientConfiguration{
		URL: "rtu://" + cable.Name(), Speed: 115200, DataBits: 8, Parity: modbus.PARITY_NONE, StopBits: 1, Timeout: 10 * time.Second,
	})
	require.NoError(t, err)
	require.NoError(t, client.Open())
	defer client.Close()
	require.NoError(t, client.SetUnitId(17))
	words, err := client.ReadRegisters(0x6B, 3, modbus.HOLDING_REGISTER)
	require.NoError(t, err)
	assert.Equal(t, []uint16{555, 0, 100}, words)
	word, err := client.ReadRegister(8, modbus.INPUT_REGISTER)
	require.NoError(t, err)
	assert.Equal(t, uint16(10), word)
	f, err := client.ReadFloat32(0x100, modbus.HOLDING_REGISTER)
	require.NoError(t, err)
	assert.Equal(t, float32(12.5), f)
	require.NoError(t, client.SetEncoding(modbus.BIG_ENDIAN, modbus.LOW_WORD_FIRST))
	f, err = client.ReadFloat32(0x102, modbus.HOLDING_REGISTER)
	require.NoError(t, err)
	assert.Equal(t, float32(-0.125), f)
	_, err = client.ReadRegister(9, modbus.INPUT_REGISTER)
	assert.ErrorIs(t, err, modbus.ErrIllegalDataAddress)
	_, err = client.ReadCoil(0)
	assert.ErrorIs(t, err, modbus.ErrIllegalFunction)
}
