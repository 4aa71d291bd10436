package journal

import (
	"crypto/rand"
	"encoding/base32"
	"errors"
	"fmt"
	"strings"

	"github.com/ncruces/go-sqlite3"
)

const (
	keyName = "key"
	pubName = "key.pub"
	// KeptFolder is the folder beside the journal for files that entries name by their SHA-256, each of which is its name there.
	KeptFolder = "kept"
	stageName  = "new" // where a journal is made, so that a cut in the middle is told from a journal that lost a part
	walSuffix  = "-wal"
)

// prepare makes sure that the folder holds a journal: it makes one where there is none at all, completes one whose making
// was cut short, and refuses a folder that holds only a part.
func prepare(d disk, dir, site, synchronous string) error {
	names := []string{dbName, dbName + walSuffix, headName, keyName, pubName}
	there := map[string]bool{}
	var found []string
	for _, name := range names {
		yes, err := d.Exists(in(dir, name))
		if err != nil {
			return fmt.Errorf("the journal's folder %s cannot be read: %w", dir, err)
		}
		if there[name] = yes; yes {
			found = append(found, name)
		}
	}
	staged, err := d.Exists(in(dir, stageName+"/"+dbName))
	building, berr := d.Exists(in(dir, buildName))
	switch err = errors.Join(err, berr); {
	case err != nil:
		return fmt.Errorf("the journal's folder %s cannot be read: %w", dir, err)
	case there[dbName]:
		return nil
	case staged:
		return moveIn(d, dir)
	case building:
		return fmt.Errorf("the journal in %s was being restored from a backup when that was cut short. Restore it again (weighpost "+
			"backup restore), or remove the folder %s there to begin a new journal", dir, buildName)
	case len(found) > 0:
		return &Damaged{dir, "journal.db is missing, and what belongs to it is there: " + strings.Join(found, ", ")}
	}
	if err := stage(d, in(dir, stageName), site, synchronous); err != nil {
		return fmt.Errorf("a journal cannot be made in %s: %w", dir, err)
	}
	return moveIn(d, dir)
}

// stage makes all files of a new journal in a folder of their own. journal.db gets its name last: it says that all is there.
func stage(d disk, dir, site, synchronous string) error {
	if err := errors.Join(d.RemoveAll(dir), d.Mkdir(dir)); err != nil {
		return err
	}
	incarnation, err := newIncarnation()
	if err != nil {
		return err
	}
	origin := fmt.Sprintf("weighpost/%s/%s", site, incarnation)
	key, err := newSignKey(origin)
	if err != nil {
		return err
	}
	root, err := new(edge).root()
	if err != nil {
		return err
	}
	building := in(dir, "building.db")
	err = errors.Join(
		writeWhole(d, in(dir, keyName), []byte(key.secret+"\n"), 0o600),
		writeWhole(d, in(dir, pubName), []byte(key.public+"\n"), 0o644),
		writeWhole(d, in(dir, headName), headImage(headState{root: root, incarnation: incarnation}), 0o640),
		createDB(d, building, incarnation, key, synchronous),
	)
	if err != nil {
		return err
	}
	return errors.Join(d.SyncDir(dir), d.Rename(building, in(dir, dbName)), d.SyncDir(dir))
}

func createDB(d disk, name, incarnation string, key signKey, synchronous string) error {
	db, err := openWriter(d, name, synchronous)
	if err != nil {
		return err
	}
	err = migrate(db, 0, steps)
	if err == nil {
		err = transact(db, func() error {
			return errors.Join(putMeta(db, "incarnation", incarnation), putMeta(db, "origin", key.Name()),
				putMeta(db, keyRow(0), key.public))
		})
	}
	if err == nil {
		_, _, err = db.WALCheckpoint("", sqlite3.CHECKPOINT_TRUNCATE)
	}
	return errors.Join(err, db.Close())
}

// moveIn gives the staged files their place, journal.db last.
func moveIn(d disk, dir string) error {
	for _, name := range []string{KeptFolder, keyName, pubName, headName, dbName} {
		from := in(dir, stageName+"/"+name)
		waiting, err := d.Exists(from)
		if err == nil && waiting {
			err = d.Rename(from, in(dir, name))
		}
		if err == nil {
			err = d.SyncDir(dir)
		}
		if err != nil {
			return fmt.Errorf("a journal cannot be made in %s: %w", dir, err)
		}
	}
	return d.RemoveAll(in(dir, stageName))
}

// dropMeta forgets a row of the table meta.
func dropMeta(db *sqlite3.Conn, name string) error {
	stmt, _, err := db.Prepare("DELETE FROM meta WHERE name = ?")
	if err != nil {
		return err
	}
	defer stmt.Close()
	return errors.Join(stmt.BindText(1, name), stmt.Exec())
}

func putMeta(db *sqlite3.Conn, name, value string) error {
	stmt, _, err := db.Prepare("INSERT OR REPLACE INTO meta(name, value) VALUES(?, ?)")
	if err != nil {
		return err
	}
	defer stmt.Close()
	return errors.Join(stmt.BindText(1, name), stmt.BindText(2, value), stmt.Exec())
}

// newIncarnation draws a name for one life of a journal: five letters or digits, 33 million of them.
func newIncarnation() (string, error) {
	var b [5]byte
	if _, err := rand.Read(b[:]); err != nil {
		return "", err
	}
	return strings.ToLower(base32.StdEncoding.EncodeToString(b[:]))[:5], nil
}
