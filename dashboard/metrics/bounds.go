package metrics

import (
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"unicode/utf8"

	"github.com/prometheus/client_golang/prometheus"
)

// How many series there can be, whatever the design: four for each of
// MostCircuits circuits, one for each of MostReadings readings, two for each of
// MostChannels channels of sources, some thirty for each source of the source
// file, and some two hundred that are always there.
// What is left out is counted in loomproof_left_out; the sums and the counts by
// verdict still hold all of it. They are our own choice: a server of the usual
// size takes some millions.
const (
	MostCircuits = 500
	MostReadings = 2000
	MostChannels = 200
)

// longest is how many bytes a label's value may have.
const longest = 128

// label makes a value that every server takes: valid UTF-8 and not long. What is
// shortened keeps a mark of its own, so that no two become one.
func label(s string) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	if len(s) <= longest {
		return s
	}
	sum := sha256.Sum256([]byte(s))
	mark := "…" + hex.EncodeToString(sum[:4])
	end := longest - len(mark)
	for !utf8.RuneStart(s[end]) {
		end--
	}
	return s[:end] + mark
}

// gauge sends the value of this moment.
func gauge(ch chan<- prometheus.Metric, d *prometheus.Desc, v float64, labels ...string) {
	send(ch, d, prometheus.GaugeValue, v, labels)
}

func send(ch chan<- prometheus.Metric, d *prometheus.Desc, kind prometheus.ValueType, v float64, labels []string) {
	safe := make([]string, len(labels))
	for i, s := range labels {
		safe[i] = label(s)
	}
	ch <- prometheus.MustNewConstMetric(d, kind, v, safe...)
}
