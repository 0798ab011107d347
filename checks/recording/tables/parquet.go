package tables

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"reflect"
	"time"

	"github.com/parquet-go/parquet-go"

	"loomproof/checks/recording"
)

// What a file of ours says beside its columns: the time that its seconds count from, and
// the channels as the recording has them.
const (
	metaStart    = "loomproof.start"
	metaChannels = "loomproof.channels"
)

// groupRows is how many rows are gathered before they are written: it bounds the
// memory.
const groupRows = 1 << 17

// WriteParquet writes channels as Parquet: 64-bit floats, null where there is no
// sample, packed with zstd.
func WriteParquet(w io.Writer, r recording.Recording, channels []int) error {
	about := make([]recording.Channel, len(channels))
	names := []string{TimeColumn}
	for i, c := range channels {
		about[i] = r.Channels()[c]
		names = append(names, Column(about[i]))
	}
	text, err := json.Marshal(about)
	if err != nil {
		return err
	}
	options := []parquet.WriterOption{schemaOf(names), parquet.KeyValueMetadata(metaChannels, string(text))}
	if recording.Dated(r.Start()) {
		options = append(options, parquet.KeyValueMetadata(metaStart, r.Start().UTC().Format(time.RFC3339Nano)))
	}
	out := parquet.NewWriter(w, options...)
	rows := make([]parquet.Row, 0, 512)
	values := make([]parquet.Value, 0, cap(rows)*len(names))
	written := 0
	flush := func() error {
		_, err := out.WriteRows(rows)
		written += len(rows)
		if err == nil && written >= groupRows {
			err, written = out.Flush(), 0
		}
		rows, values = rows[:0], values[:0]
		return err
	}
	for row, err := range Rows(r, channels) {
		if err != nil {
			return err
		}
		from := len(values)
		values = append(values, parquet.DoubleValue(row.Time).Level(0, 0, 0))
		for i, v := range row.Cells {
			if math.IsNaN(v) {
				values = append(values, parquet.NullValue().Level(0, 0, i+1))
			} else {
				values = append(values, parquet.DoubleValue(v).Level(0, 1, i+1))
			}
		}
		if rows = append(rows, values[from:]); len(rows) == cap(rows) {
			if err := flush(); err != nil {
				return err
			}
		}
	}
	if err := flush(); err != nil {
		return err
	}
	return out.Close()
}

// schemaOf keeps the columns in their order, which a plain group would not.
func schemaOf(names []string) *parquet.Schema {
	fields := make([]reflect.StructField, len(names))
	for i, name := range names {
		kind, tag := reflect.TypeFor[*float64](), "optional,zstd,split"
		if i == 0 {
			kind, tag = reflect.TypeFor[float64](), "zstd,split"
		}
		fields[i] = reflect.StructField{Name: fmt.Sprintf("C%d", i), Type: kind, Tag: reflect.StructTag(fmt.Sprintf("parquet:%q", name+","+tag))}
	}
	return parquet.SchemaOf(reflect.New(reflect.StructOf(fields)).Interface())
}
