// Package bundle packs entries of a journal with all that is needed to read and to verify them alone: on a machine without weighpost, its
// journal and the lab's network. It owns the form of the archive, how it is written, and how it is verified. It keeps and changes nothing.
//
//	plan, err := bundle.Open(ctx, bundle.Order{Dir: "/var/lib/weighpost/journal", Of: bundle.Of{Run: "r-7qx3-000017"}})
//	err = plan.ToFile(ctx, "run.zip")
//	found, err := bundle.Verify(ctx, file, size, key)
//
// # What is inside
//
//	README.txt          how to read and verify it
//	bundle.json         what it is of: see About
//	entries.ndjson      the exact bytes of each entry, one a line, in the order of the journal
//	tree.txt            hashes of the parts of the journal's tree that hold none of these entries
//	checkpoint.txt      the signed head of that tree
//	checkpoints.ndjson  of a whole journal: every head that was signed before, a line each
//	key.txt             the public key that signed it: a name tag. Whoever verifies brings a key of their own
//	keys/0001.note      the notes by which each key vouched for the next one, oldest first
//	schemas/            the JSON Schema of each kind of entry that is inside
//	kept/SHA256         files that entries name: certificates, pictures of slips
//	report.html         the same entries for people: signatures, results, audit trail
//	SHA256SUMS          of all other parts, as sha256sum writes it
//
// # What ties it together
//
// A walk over the journal's tree (RFC 6962 section 2.1), from left to right: a subtree with none of the entries is one hash of tree.txt, a
// leaf that is inside is the hash of its line, everything else is divided as the standard has it. The root has to be that of the
// checkpoint. So no entry can be altered, added, moved, or left out of a span, without the key. Of a run, the signatures and the entry
// that ends it say which entries belong to it; that nothing came later, only the journal or a bundle of all of it shows.
//
// The same entries and the same weighpost give the same bytes: no clock is asked. The proof leads to the oldest checkpoint that covers them.
package bundle
