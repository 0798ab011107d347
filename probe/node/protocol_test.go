package node

import (
	"encoding/hex"
	"fmt"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
)

// examples are the values that PROTOCOL.md gives in words beside the bytes.
var examples = map[string][]byte{
	"hello request": AppendFrame(nil, HelloRequest),
	"start":         AppendFrame(nil, StartCommand, Start{Mask: 0x0F, Shift: 2, Period: 4000, BlockMS: 5}.Append(nil)...),
	"stop":          AppendFrame(nil, StopCommand),
	"keep-alive":    AppendFrame(nil, KeepAlive, 7),
	"cut":           AppendFrame(nil, CutCommand),
	"restore":       AppendFrame(nil, RestorePower),
	"limit":         AppendFrame(nil, LimitCommand, Limit{Channel: 1, Low: 512, High: 768}.Append(nil)...),
	"hello": AppendFrame(nil, HelloMessage, Hello{
		Protocol: 1, Major: 1, Minor: 1, Started: true, ID: 42, Channels: 8, Bits: 10, ReferenceMV: 5000,
		TickHz: 2_000_000, Clock: 100, ShortestTicks: 240, LongestTicks: 20000, HostSilenceMS: 500,
		KeepsCalibration: true, HasMonitor: true, MonitorBusUV: 1250, MonitorShuntNV: 2500,
	}.Append(nil)...),
	"samples": AppendFrame(nil, SamplesMessage, Samples{
		First: 58, Clock: 1_064_250, Period: 1000, Mask: 0x05, Scans: 2,
	}.Append(nil, []uint16{645, 0, 646, 1})...),
	"state": AppendFrame(nil, StateMessage, State{
		Why: WhyLimit, Channel: 1, Sample: 3076, Since: 5_000_000, Clock: 5_000_100, Tag: 7,
	}.Append(nil)...),
	"read calibration": AppendFrame(nil, ReadCalibration, 1),
	"write calibration": AppendFrame(nil, WriteCalibration, Record{
		Pin: 1, Quantity: probe.Voltage, Scale: 4.0625, Offset: -0.03125, ScaleU: 0.001953125, OffsetU: 0.0078125, Correlation: -0.875,
		Day: time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC), Reference: "bench meter MH-7",
	}.Append(nil)...),
	"erase calibration": AppendFrame(nil, WriteCalibration, erasedRecord(1)...),
	"monitor":           AppendFrame(nil, MonitorCommand, 0x40, 0x9C, 0, 0),
	"monitor sample":    AppendFrame(nil, MonitorMessage, MonitorSample{Number: 2, Clock: 123_456, Bus: 0x2570, Shunt: -32000}.Append(nil)...),
	"note":              AppendFrame(nil, NoteMessage, Note{To: StartCommand, Code: TooFast, Detail: 240}.Append(nil)...),
}

func TestExamplesInTheProtocolAreRight(t *testing.T) {
	text, err := os.ReadFile("PROTOCOL.md")
	require.NoError(t, err)
	found := map[string][]byte{}
	for _, m := range regexp.MustCompile("(?m)^\\| ([a-z -]+) \\|.*\\| `([0-9A-F ]+)` \\|$").FindAllStringSubmatch(string(text), -1) {
		line, err := hex.DecodeString(strings.ReplaceAll(m[2], " ", ""))
		require.NoError(t, err, m[0])
		found[m[1]] = line
	}
	for name, want := range examples {
		assert.Equal(t, fmt.Sprintf("% X", want), fmt.Sprintf("% X", found[name]), "the example of %s", name)
	}
	assert.Len(t, found, len(examples), "an example that no test knows")
}

// The firmware's numbers are this package's.
func TestFirmwareHasTheSameNumbers(t *testing.T) {
	text, err := os.ReadFile("firmware/protocol.h")
	require.NoError(t, err)
	got := map[string]int{}
	for _, m := range regexp.MustCompile(`(?m)^#define ([A-Z_]+) (0x[0-9A-F]+|[0-9]+)`).FindAllStringSubmatch(string(text), -1) {
		v, err := strconv.ParseInt(m[2], 0, 32)
		require.NoError(t, err)
		got[m[1]] = int(v)
	}
	for name, want := range map[string]int{
		"PROTOCOL_VERSION": ProtocolVersion,
		"CMD_HELLO":        int(HelloRequest), "CMD_START": int(StartCommand), "CMD_STOP": int(StopCommand), "CMD_KEEP_ALIVE": int(KeepAlive),
		"CMD_CUT": int(CutCommand), "CMD_RESTORE": int(RestorePower), "CMD_LIMIT": int(LimitCommand),
		"MSG_HELLO": int(HelloMessage), "MSG_SAMPLES": int(SamplesMessage), "MSG_STATE": int(StateMessage), "MSG_NOTE": int(NoteMessage),
		"WHY_STARTED": int(WhyStarted), "WHY_COMMAND": int(WhyCommand), "WHY_HOST_SILENT": int(WhyHostSilent),
		"WHY_LIMIT": int(WhyLimit), "WHY_NOT_WATCHED": int(WhyNotWatched),
		"NOTE_DONE": int(Done), "NOTE_UNKNOWN": int(UnknownType), "NOTE_LENGTH": int(WrongLength), "NOTE_RANGE": int(OutOfRange),
		"NOTE_TOO_FAST": int(TooFast), "NOTE_REFUSED": int(Refused), "NOTE_BAD_FRAME": int(DamagedFrame), "NOTE_LOST": int(SamplesLost),
		"NOTE_ABSENT": int(Absent), "CMD_READ_CAL": int(ReadCalibration), "CMD_WRITE_CAL": int(WriteCalibration), "CMD_MONITOR": int(MonitorCommand),
		"MSG_CAL": int(CalibrationMessage), "MSG_MONITOR": int(MonitorMessage), "HAS_CALIBRATION": hasCalibration, "HAS_MONITOR": hasMonitor,
		"CAL_SLOTS": slots, "CAL_RECORD": RecordSize, "CAL_ERASED": recordErased, "MONITOR_GOOD": 0, "MONITOR_LOST": 1,
		"NO_CHANNEL": NoChannel, "MAX_SHIFT": maxShift, "BLOCK_SAMPLES": 116, "SAMPLES_HEADER": 1 + samplesHeader,
	} {
		assert.Equal(t, want, got[name], name)
	}
}
