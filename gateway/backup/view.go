package backup

import (
	"context"
	"time"

	"weighpost/gateway/record"
)

// Answer tells of a backup that was made, for the API and the command line.
func (m *Made) Answer(trouble []string) record.BackupAnswer {
	return record.BackupAnswer{
		Name: m.Name, Where: m.Folder, Size: m.Size, SHA256: m.SHA256, Entries: m.Manifest.Entries, Made: m.Manifest.Made.UTC,
		Secrets: append([]string{}, m.Manifest.Secrets...), NotHeld: append([]string{}, m.Manifest.NotHeld...),
		Trouble: append([]string{}, trouble...),
	}
}

// View says how it stands with backups.
func (j *Job) View(ctx context.Context, now time.Time) record.BackupView {
	v := record.BackupView{Configured: j.Config.Asked(), Kept: []record.BackupKept{}, Trouble: []string{}}
	var newest time.Time
	for _, s := range j.shelves() {
		list, err := s.List(ctx, j.Site)
		if err != nil {
			v.Trouble = append(v.Trouble, err.Error())
		}
		for _, k := range list {
			v.Kept = append(v.Kept, record.BackupKept{Where: k.Where, Name: k.Name, Size: k.Size, Made: record.UTC(k.Made)})
			if k.Made.After(newest) {
				newest = k.Made
			}
		}
	}
	if v.Configured {
		v.Overdue = newest.IsZero() || now.Sub(newest) > j.Config.Overdue.D()
		if due := record.UTC(j.Config.Due(newest).UTC()); !newest.IsZero() {
			v.Due = &due
		}
	}
	return v
}
