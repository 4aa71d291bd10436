// Package archive is the other end of many gateways: it takes the entries and checkpoints that they publish to a stream, keeps them in
// PostgreSQL, and finds out whether each gateway's journal is still what it once said.
//
// It owns the tables of the schema archive (schema.sql), the durable consumer of the stream, and the co-signer's key. It reads no
// gateway's disk and takes nobody's word: what it holds was published, and what it co-signs it has hashed itself.
//
// # The way of a message
//
//	stream ── fetch ──▶ read ──▶ one transaction: rows, evidence, due ──▶ commit ──▶ acknowledge
//	                                   due ──▶ hash (under the journal's lock) ──▶ judge checkpoints ──▶ co-sign ──▶ publish
//
// Any number of instances do this at once. They share the messages (one durable consumer, each acknowledged by itself, after the commit)
// and the journals (an advisory lock of PostgreSQL each, held for one transaction). An instance that ends in the middle leaves either
// nothing or all of a transaction; what it had not acknowledged comes again, to any instance, and changes nothing where it is known.
//
// # What is promised
//
// Every entry that the stream acknowledged to a gateway is in the database once, with the same bytes, unless it contradicts one that
// came before: a second entry under one id or one place of a journal never replaces the first. It is kept as evidence, and the journal
// is in dispute. So it is where a checkpoint does not follow from the entries that are here, is smaller than one that was published
// before it, or is signed by a key to which nothing leads from the configured ones. A journal in dispute is kept on, and not
// co-signed until a person settles that.
//
// A co-signature (C2SP tlog-cosignature, cosignature/v1) says: this archive held all entries of the journal up to that size at that
// time, hashed them to this root, and everything that it co-signed before is the beginning of the same tree. It does not say that the
// entries are true, nor that the gateway published all that happened.
package archive
