package access

// ReadLater has starts leave more than n entries to Run, until the returned function is called.
func ReadLater(n uint64) (undo func()) {
	was := entriesAtOnce
	entriesAtOnce = n
	return func() { entriesAtOnce = was }
}
