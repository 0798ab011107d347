package metrics

import (
	"path/filepath"

	"github.com/prometheus/client_golang/prometheus"

	"loomproof/checks/logbook"
)

var (
	diskFree = prometheus.NewDesc("loomproof_logbook_disk_free_bytes", "Room left for the logbook on its disk.", nil, nil)
	diskSize = prometheus.NewDesc("loomproof_logbook_disk_size_bytes", "Size of the disk that the logbook is on.", nil, nil)
)

// A disk is a logbook's file, whose disk is looked at.
type disk string

func (disk) Describe(ch chan<- *prometheus.Desc) { ch <- diskFree; ch <- diskSize }

// Collect says nothing where the system does not tell.
func (d disk) Collect(ch chan<- prometheus.Metric) {
	free, size, err := logbook.Room(filepath.Dir(string(d)))
	if err != nil {
		return
	}
	gauge(ch, diskFree, float64(free))
	gauge(ch, diskSize, float64(size))
}
