package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
)

// attacks are what somebody does who can write the folder, from the clumsy to the one who holds the key as well. Each is told
// by the command beside it; what only a thing that is held elsewhere can tell is held against that.
var attacks = []attack{
	// Who edits an entry.
	{"the digits of a weighing edited", swapText(5, `"digits":"14.0002"`, `"digits":"14.0012"`), verifyJournal, "entry 5: edited"},
	{"its unit edited", swapText(5, `"unit":"g"`, `"unit":"kg"`), verifyJournal, "entry 5: edited"},
	{"its stamp edited", swapText(5, `10:02:00`, `10:03:00`), verifyJournal, "entry 5: edited"},
	{"its sample edited", swapText(5, `lot-0002`, `lot-0009`), verifyJournal, "entry 5: edited"},
	{"the person taken out", swapText(5, `"person":{"id":"p-17","by":"signed-in"}`, `"person":null`), verifyJournal, "entry 5: edited"},
	{"its id edited", swapText(5, `/000003`, `/000099`), verifyJournal, "entry 5: edited"},
	{"a weighing edited, and its own hash", all(swapText(5, "14.0002", "14.0012"), ownHash(5)), verifyJournal, "entry 6: tree"},
	{"a weighing edited, and all hashes made anew", all(swapText(5, "14.0002", "14.0012"), anew(nil)), verifyJournal, "those that were signed"},
	{"the same, and everything signed by a key of the attacker's own", all(swapText(5, "14.0002", "14.0012"), anew(strangersKey)),
		verifyJournal, "not signed by"},
	{"the same, and everything signed by the journal's own key", all(swapText(5, "14.0002", "14.0012"), anew(ownKey)),
		"journal verify JOURNAL --key KEY --against HELD", "are not those"},
	// Who deletes, adds or moves.
	{"the first entry deleted", sql("DELETE FROM entries WHERE seq = 1"), verifyJournal, "entry 1: missing"},
	{"an entry in the middle deleted", sql("DELETE FROM entries WHERE seq = 20"), verifyJournal, "entry 20: missing"},
	{"the last entry deleted", sql("DELETE FROM entries WHERE seq = 60"), verifyJournal, "60 entries were acknowledged"},
	{"the last ten cut off", sql("DELETE FROM entries WHERE seq > 50"), verifyJournal, "60 entries were acknowledged"},
	{"the last ten cut off, and head and checkpoints made to agree with the journal's own key",
		all(sql("DELETE FROM entries WHERE seq > 50; UPDATE numbers SET last = 25"), anew(ownKey)),
		"journal verify JOURNAL --key KEY --against HELD", "ends with entry 50"},
	{"an entry deleted and the gap closed", renumbered(20), verifyJournal, "entry 20"},
	{"two entries swapped", sql("UPDATE entries SET seq = -1 WHERE seq = 8; UPDATE entries SET seq = 8 WHERE seq = 9; " +
		"UPDATE entries SET seq = 9 WHERE seq = -1"), verifyJournal, "entry 8"},
	{"an entry put in by hand", sql("INSERT INTO entries SELECT 61, json, hashes FROM entries WHERE seq = 59"), verifyJournal, "entry 61"},
	{"an entry renumbered", sql("UPDATE entries SET seq = 900 WHERE seq = 60"), verifyJournal, "entry 60: missing"},
	// Who goes for the hashes and the checkpoints.
	{"a stored tree hash edited", sql("UPDATE entries SET hashes = substr(hashes, 1, 32) || randomblob(64) WHERE seq = 4"), verifyJournal, "entry 4: tree"},
	{"a checkpoint edited", sql("UPDATE checkpoints SET note = replace(CAST(note AS TEXT), char(10) || '40' || char(10), char(10) || '41' || char(10)) WHERE seq = 40"),
		verifyJournal, "entry 40: checkpoint"},
	{"a checkpoint moved to another size", sql("UPDATE checkpoints SET seq = 39 WHERE seq = 40"), verifyJournal, "entry 39: checkpoint"},
	{"the checkpoint that is held elsewhere forged", bytesOf("held.txt", func(b []byte) []byte {
		return bytes.Replace(b, []byte("\n60\n"), []byte("\n59\n"), 1)
	}), "journal verify JOURNAL --key KEY --against HELD", "signed"},
	// Who puts older or other files back.
	{"an older journal.db put back", instead("journal/journal.db", "older/journal.db"), verifyJournal, "60 entries were acknowledged"},
	{"the whole folder put back as it was", instead("journal", "older"), "journal verify JOURNAL --key KEY --against HELD", "ends with entry 40"},
	{"the key replaced", func(t *testing.T, e evidence) { strangersKey(t, e) }, verifyJournal, "key.pub holds"},
	{"head removed", remove("journal/head"), verifyJournal, "the file head is missing"},
	{"the table of numbers edited", sql("UPDATE numbers SET last = last - 1 WHERE balance = 'b-7'"), verifyJournal, "table of numbers"},
	{"a cursor moved past what is owed to a sink", sql("INSERT INTO cursors VALUES('share', 1000)"), verifyJournal, "cursor"},
	{"a trigger put in that would change what is recorded", sql("CREATE TRIGGER quiet AFTER INSERT ON entries BEGIN DELETE FROM cursors; END"),
		verifyJournal, "trigger"},
	// Damage.
	{"a byte of journal.db flipped", bytesOf("journal/journal.db", func(b []byte) []byte {
		b[bytes.Index(b, []byte(`"seq":30,`))+60] ^= 1
		return b
	}), verifyJournal, "entry 30"},
	{"journal.db cut to half", bytesOf("journal/journal.db", func(b []byte) []byte { return b[:len(b)/2] }), verifyJournal, "journal.db"},
	{"another program's file in its place", bytesOf("journal/journal.db", func([]byte) []byte { return []byte("sowing plan 2027\n") }),
		verifyJournal, "journal.db"},
	// What was given away of the journal.
	{"the digits in a proof edited", inProof("14.0002", "14.0012"), validateProof, "its hash does not lead to the root"},
	{"a proof given the bytes of another weighing", inProof("lot-0002", "lot-0003"), validateProof, "its hash does not lead to the root"},
	{"a hash of a proof edited", proofLine(3, func(string) string { return strings.Repeat("A", 43) + "=" }), validateProof, "its hash does not lead to the root"},
	{"the place of a proof edited", proofLine(2, func(string) string { return "index 6" }), validateProof, "its hash does not lead to the root"},
	{"a proof with an older checkpoint", func(t *testing.T, e evidence) {
		older, err := os.ReadFile(e.before)
		if err != nil {
			t.Fatal(err)
		}
		bytesOf("weighing.proof", func(b []byte) []byte {
			head, _, _ := bytes.Cut(b, []byte("\n\n"))
			return append(append(head, "\n\n"...), older...)
		})(t, e)
	}, validateProof, "its hash does not lead to the root"},
	{"a proof of a journal that the attacker made", func(t *testing.T, e evidence) {
		b, err := os.ReadFile(collect(t).at("weighing.proof"))
		if err != nil {
			t.Fatal(err)
		}
		writeFile(t, e.at("weighing.proof"), b)
	}, validateProof, "nothing in it leads there"},
	{"a row of an export edited", bytesOf("lots.csv", func(b []byte) []byte { return bytes.Replace(b, []byte("14.0002"), []byte("14.0012"), 1) }),
		"validate export lots.csv.manifest.json --key KEY", "SHA-256"},
	{"the same, and its manifest made to agree", all(bytesOf("lots.csv", func(b []byte) []byte {
		return bytes.Replace(b, []byte("14.0002"), []byte("14.0012"), 1)
	}), agreeingManifest), "validate export lots.csv.manifest.json --key KEY --journal JOURNAL", "fault"},
	// Segments: entries that were sealed.
	{"the digits of a sealed weighing edited", segment(0, func(b []byte) []byte { return regzip(b, "14.0002", "14.0012") }), verifySealed, "segment: "},
	{"a byte of a segment's own check sum flipped", segment(0, func(b []byte) []byte { b[len(b)-6] ^= 1; return b }), verifySealed, "segment: "},
	{"a segment removed", segment(0, nil), verifySealed, "segment: "},
	{"two segments swapped", func(t *testing.T, e evidence) {
		t.Helper()
		names := segments(t, e)
		a, errA := os.ReadFile(names[0])
		b, errB := os.ReadFile(names[1])
		if err := errors.Join(errA, errB); err != nil {
			t.Fatal(err)
		}
		writeFile(t, names[0], b)
		writeFile(t, names[1], a)
	}, verifySealed, "segment: "},
	{"a sealed weighing edited in a segment, and the table of segments made to agree", all(segment(0, func(b []byte) []byte {
		return regzip(b, "14.0002", "14.0012")
	}), agreeingSegments), verifySealed, "entry 201: "},
	// Backups.
	{"a byte of a backup flipped", bytesOf("lots.backup.tar", func(b []byte) []byte {
		b[bytes.Index(b, []byte("site: north-lab"))] ^= 1
		return b
	}), verifyBackup, "damaged"},
	{"a backup cut short", bytesOf("lots.backup.tar", func(b []byte) []byte { return b[:5000] }), verifyBackup, "cut"},
	{"an entry in a backup edited, and its sums made to agree", func(t *testing.T, e evidence) { retar(t, e, "14.0002", "14.0012") }, verifyBackup, "are not those of a checkpoint"},
	{"a backup of another journal of the same site", func(t *testing.T, e evidence) {
		b, err := os.ReadFile(collect(t).at("lots.backup.tar"))
		if err != nil {
			t.Fatal(err)
		}
		writeFile(t, e.at("lots.backup.tar"), b)
	}, verifyBackup, "is no backup of this journal"},
	// The WAL of a journal that was running.
	{"the WAL trimmed", all(instead("journal", "running"), bytesOf("journal/journal.db-wal", func(b []byte) []byte { return b[:len(b)-9000] })),
		verifyJournal, "acknowledged"},
	{"a bit of the WAL flipped", all(instead("journal", "running"), flipped("journal/journal.db-wal")), verifyJournal, "WAL"},
	{"the WAL removed", all(instead("journal", "running"), remove("journal/journal.db-wal")), verifyJournal, "acknowledged"},
}

const validateProof = "validate proof weighing.proof --key KEY"

const (
	verifySealed = "journal verify SEALED"
	verifyBackup = "backup verify lots.backup.tar --key sealed.pub"
)

// proofLine changes one line of the proof.
func proofLine(n int, change func(line string) string) func(t *testing.T, e evidence) {
	return bytesOf("weighing.proof", func(b []byte) []byte {
		lines := strings.Split(string(b), "\n")
		lines[n] = change(lines[n])
		return []byte(strings.Join(lines, "\n"))
	})
}

// inProof changes the entry that the proof carries.
func inProof(from, to string) func(t *testing.T, e evidence) {
	return proofLine(1, func(line string) string {
		extra, _ := base64.StdEncoding.DecodeString(strings.TrimPrefix(line, "extra "))
		return "extra " + base64.StdEncoding.EncodeToString(bytes.Replace(extra, []byte(from), []byte(to), 1))
	})
}

// agreeingManifest writes the hash of the altered export into its manifest.
func agreeingManifest(t *testing.T, e evidence) {
	t.Helper()
	b, err := os.ReadFile(e.at("lots.csv"))
	if err != nil {
		t.Fatal(err)
	}
	bytesOf("lots.csv.manifest.json", func(manifest []byte) []byte {
		return fileHash.ReplaceAll(manifest, fmt.Appendf(nil, "${1}%x", sha256.Sum256(b)))
	})(t, e)
}

var fileHash = regexp.MustCompile(`("sha256":\s*"(?:sha256:)?)[0-9a-f]{64}`)

// ownHash makes the leaf hash of one entry anew, and no other.
func ownHash(seq int64) func(t *testing.T, e evidence) {
	return func(t *testing.T, e evidence) {
		t.Helper()
		db := openDB(t, e)
		defer db.Close()
		tree := &storedTree{}
		for _, row := range column(t, db, "SELECT seq, json FROM entries ORDER BY seq") {
			if hashes := tree.add(t, row.text); row.seq == seq {
				execute(t, db, sqlHashes(hashes, seq))
			}
		}
	}
}
