// Package asked is tests only: a lab system that asks a whole daemon for runs over the API, a real broker and dropped files, and is told over
// each way it reads what became of them.
package asked
