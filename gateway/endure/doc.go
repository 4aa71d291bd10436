// Package endure holds tests, and nothing else: what becomes of a journal and of everything that is made of it (backups, sealed
// segments, exports, changed keys, restored journals) when the process is killed or the disk fails in the midst of it.
//
// The rooms that do these acts have fault tests of their own. Here all acts go on at once over one journal, and one judge looks
// from outside at what is left.
package endure
