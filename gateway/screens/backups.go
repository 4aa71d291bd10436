package screens

import (
	"context"
	"net/http"
	"net/url"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// backupsPage is how it stands with backups.
type backupsPage struct {
	record.BackupView
	Rows []keptBackup
	Can  bool
	Told string
	None bool // no backups are made here
}

// keptBackup is a backup in one place, with when it was verified there last.
type keptBackup struct {
	record.BackupKept
	Verified *record.UTC
	Good     bool
	Why      string
}

// lookTime bounds how long places of backups are looked at.
const lookTime = 8 * time.Second

func (s *Screens) showBackups(w http.ResponseWriter, r *http.Request) {
	p := backupsPage{Can: rights.From(r.Context()).May(rights.Backup) == nil, None: s.deps.Backups == nil}
	if !p.None {
		ctx, cancel := context.WithTimeout(r.Context(), lookTime)
		defer cancel()
		p.BackupView = s.deps.Backups.ListBackups(ctx)
		verified := s.verifiedBackups(r.Context())
		for _, k := range p.Kept {
			one := keptBackup{BackupKept: k}
			if b, ok := verified[k.Where+"\x00"+k.Name]; ok {
				at := b.Stamp.UTC
				one.Verified, one.Good, one.Why = &at, b.Outcome == record.OutcomeGood, b.Why
			}
			p.Rows = append(p.Rows, one)
		}
	}
	s.show(w, r, page{Template: "backups.html", Title: "Backups", Place: "/happened", Scripts: []string{"lists.js"}, Data: &p})
}

// verifiedBackups finds what was found out last about each backup, by place and name, in the newest thousand entries on backups.
// Making one includes reading it back.
func (s *Screens) verifiedBackups(ctx context.Context) map[string]record.Backup {
	all := map[string]record.Backup{}
	if s.deps.Entries == nil {
		return all
	}
	list, err := s.deps.Entries.ListEntries(ctx, url.Values{"kind": {string(record.KindBackup)}, "sort": {"-seq"}, "limit": {"1000"}})
	if err != nil {
		return all
	}
	for _, raw := range list.Entries {
		e, err := record.ParseEntry(raw)
		if err != nil {
			continue
		}
		b, ok := record.ParseBackup(e)
		key := b.Where + "\x00" + b.Name
		if _, newer := all[key]; ok && !newer && (b.Action == record.BackupVerified || b.Action == record.BackupMade) {
			all[key] = b
		}
	}
	return all
}

// Bytes is its size.
func (k keptBackup) Bytes() string { return count(uint64(max(k.Size, 0))) }
