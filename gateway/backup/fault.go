package backup

import "fmt"

// What can be wrong with a file that should be a backup.
const (
	Cut     = "cut"     // its end is missing
	Damaged = "damaged" // it is not as it was written
	Foreign = "foreign" // it is no backup, or one of another journal
	Old     = "old"     // it is whole, and older than it should be
	Newer   = "newer"   // a later version of weighpost wrote it
)

// Fault says what is wrong with a backup.
type Fault struct {
	Kind string
	File string
	What string
}

func (f *Fault) Error() string {
	switch f.Kind {
	case Cut:
		return fmt.Sprintf("the backup %s is cut short: %s. Copy it again from where it was made, or use the backup before it", f.File, f.What)
	case Foreign:
		return fmt.Sprintf("%s is no backup of this journal: %s. Name a backup that weighpost made of it", f.File, f.What)
	case Old:
		return fmt.Sprintf("the backup %s is whole, but old: %s. Make a new one: weighpost backup create", f.File, f.What)
	case Newer:
		return fmt.Sprintf("the backup %s was written by another weighpost: %s", f.File, f.What)
	}
	return fmt.Sprintf("the backup %s is damaged: %s. Do not restore from it: use another copy of it, or the backup before it", f.File, f.What)
}
