package config

import (
	"weighpost/gateway/journal"
	"weighpost/parsers/strict"
)

// checkRetention adds the faults of how entries are sealed, some of which only the whole can tell.
func (c *Config) checkRetention(r *strict.Report, folder string) {
	c.Journal.Retention.Check(r)
	c.checkKeepers(r.At("sinks"), c.Journal.Retention.Sinks)
	whole := journal.RetentionConfig{Folder: beside(folder, c.Journal.Retention.Folder)}
	if whole.Within(beside(folder, c.Journal.Folder)) {
		r.At("folder").Fault("lies within the journal's folder: whatever takes one takes the other", "a folder elsewhere, best on another disk")
	}
	if c.Journal.Retention.Asked() && !c.Backup.Asked() {
		r.Note("entries are sealed, and no backup is configured: a segment that is lost is then lost for good. Local rules decide how " +
			"long records must be kept. See: weighpost help backup")
	}
}
