package procedure

import "loomproof/checks/logbook"

// RecordingsIn are the recordings of a worksheet's records.
func RecordingsIn(records []logbook.Record) (list []Recorded) {
	for _, r := range records {
		var x Recorded
		if r.Kind == KindRecording && r.Decode(&x) == nil {
			list = withRecorded(list, x)
		}
	}
	return list
}

// withRecorded adds a recording, or takes what is newly known of it.
func withRecorded(list []Recorded, x Recorded) []Recorded {
	for i := range list {
		if list[i].Recording == x.Recording {
			list[i] = x
			return list
		}
	}
	return append(list, x)
}
