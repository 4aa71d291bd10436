// Package secret keeps what people and programs show to say who they are: passwords, PINs, keys for programs and the one-time
// token of the first start. It hashes and compares them, holds them against a policy, keeps what is needed of them in a file
// beside the journal, and slows down whoever guesses. It knows no person, no right and no page: an account here is an id.
//
// What is kept is never the secret itself: passwords and PINs are kept as argon2id (RFC 9106), keys and tokens, which nobody
// chose, as SHA-256. Nothing of it ever goes into the journal, an export or a log.
//
// NIST here means SP 800-63B-4 (2025); its numbers are those of that edition.
package secret
