// Package export writes the entries of a journal for people and for other programs: as CSV, NDJSON, Parquet and PDF.
//
// It owns what an export looks like, and what goes with it to show that it is whole. It neither keeps nor changes entries, and
// reads them in order through a Source, so that its memory does not grow with their number.
//
//	src, err := export.Open(ctx, "/var/lib/weighpost/journal")
//	done, err := export.ToFile(ctx, src, export.Request{Format: export.PDF, Filter: f, …}, "november.pdf", false)
//
// # What an export says of itself
//
// A file holds entries and nothing else, so that plain tools load it; a PDF, which people read alone, says at its end what the
// manifest says. Beside FILE stands FILE.manifest.json (see Manifest): which filter chose the entries, how many of how many
// there are, of which journal, up to which entry, under which signed checkpoint, made when and by which version, with the
// SHA-256 of the file, of the ids and of the leaf hashes of the entries in their order. The manifest is written last: a file
// without one is not known to be whole. Validate holds a file against its manifest, and against a journal: the same request
// there gives the same file, byte for byte.
//
// # Where it stops
//
// An export ends with the entry that was the journal's last when it began. Entries that do not fit their tree, which is
// held against the journal's newest checkpoint, end it with an error, and what was written is not called whole.
package export
