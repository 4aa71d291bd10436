// Package backup makes backups of a journal and reads them. One backup is one file: a plain tar (POSIX.1-1988 ustar; a part of
// 8 GiB or more has its size in GNU's base-256 form) whose parts, their order and every byte of their headers are fixed:
//
//	entries.ndjson.gz    every entry from 1 on, a line each, gzip
//	snapshot.json        cursors, numbers, checkpoints and what else there is to a journal (journal.Snapshot)
//	key.pub              the public key that verifies the checkpoint
//	config/…             the configuration and its layouts as the files stand: they hold no secrets
//	kept/…               the files kept beside the journal that entries name, each under its SHA-256
//	secrets.age          a tar of the signing key and other secrets, encrypted with age; only with a recipient
//	backup.json          the manifest: what this is, and size and SHA-256 of each part before it
//	SHA256SUMS           SHA-256 of each part, as sha256sum -c reads it
//
// Create writes a backup of a journal while it records, consistent at one signed checkpoint, and reads it back before it gives
// it its name. Open reads the frame of one, Verify all of it: every byte of a backup is held against something, so that a
// single altered one is found. What is read is taken for hostile: sizes are bounded, nothing is unpacked, and no name in a
// backup ever becomes a path.
//
// It does not know what an entry means, but for the kept files that entries name, and makes no journal of a backup: that is
// journal.Build.
package backup
