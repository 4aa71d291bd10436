package record

import "encoding/json"

// KeptFiles gives the files kept beside the journal that an entry names: certificates, and pictures of slips. An entry that cannot be read
// names none.
func KeptFiles(e Entry) (files []*KeptFile) {
	switch e.Kind {
	case KindWeightChanged:
		var w WeightEntry
		if json.Unmarshal(e.JSON, &w) == nil && w.Weight.Certificate != nil {
			files = append(files, w.Weight.Certificate.File)
		}
	case KindUpkeep:
		var u Upkeep
		if json.Unmarshal(e.JSON, &u) == nil && u.Calibration != nil {
			files = append(files, u.Calibration.File)
		}
	case KindLateEntered:
		var l LateEntered
		if json.Unmarshal(e.JSON, &l) == nil {
			files = append(files, l.Picture)
		}
	case KindReportIssued:
		var r ReportIssued
		if json.Unmarshal(e.JSON, &r) == nil {
			files = append(files, &KeptFile{Name: r.FileName(), SHA256: r.Sum, Bytes: r.Size})
		}
	case KindCheckEnded:
		var c CheckEnded
		if json.Unmarshal(e.JSON, &c) == nil {
			for _, w := range c.Weights {
				if w.Certificate != nil {
					files = append(files, w.Certificate.File)
				}
			}
		}
	}
	named := files[:0]
	for _, f := range files {
		if f != nil {
			named = append(named, f)
		}
	}
	return named
}
