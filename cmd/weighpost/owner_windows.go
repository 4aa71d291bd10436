package main

// sameOwner has nothing to refuse here: files in the journal's folder inherit its rights.
func sameOwner(string) error { return nil }
