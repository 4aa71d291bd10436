// Package journal keeps everything that happens at a site: one durable, append-only, tamper-evident log of entries.
//
// It owns the folder of a journal and every file in it, the identity of entries (sequence, id, number), the moment at which
// an entry counts as recorded, and the positions (cursors) of those who read it. It does not know what an entry means.
//
// # The folder
//
//	journal.db   entries with their tree hashes, checkpoints, cursors, numbers of balances; one SQLite file (WAL)
//	head         sequence and root of what was last acknowledged, synced before each acknowledgement
//	key          the key that signs checkpoints, mode 0600
//	key.pub      its public half: what a verifier needs
//	key.next     a new key, for the moment between being made and being in force
//	reserve      takes up space, to be given up when the disk is full
//	lock         held by the one daemon that writes; holds its process id
//
// # What is promised
//
// When Append returns without an error, its entries are on the disk: they survive a kill, a power cut, a full disk and a
// restart. Ids are never used again. Each entry's exact bytes are a leaf of a Merkle tree (RFC 6962 section 2.1), so that
// Verify names every entry that was edited, dropped, moved or cut off, as far back as the head file and the signed
// checkpoints (C2SP tlog-checkpoint) reach. Whoever can write the folder can also replace head and key: what protects
// against that is a checkpoint kept elsewhere.
//
// A journal that is damaged, or shorter than its head, is refused and left as it is. Nothing here ever begins a new journal
// in place of one that was there.
//
//	j, err := journal.Open(ctx, journal.Options{Dir: "/var/lib/weighpost/journal", Site: "north-lab"})
//	entries, err := j.Append(ctx, &weighing) // blocks until durable
//	err = j.Wait(ctx, entries[0].Seq-1)      // until there is more than that
//	entries, err = j.Read(ctx, after, 100)
//
// # Inside
//
// One goroutine writes. It takes all Appends that queued while the last sync ran and makes them one transaction, then
// syncs the head, then acknowledges. It alone copies the WAL back into journal.db, when idle or at 4 MB.
package journal
