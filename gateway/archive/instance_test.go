package archive

// runAsInstance is the way in for processes that this test starts of itself.
func runAsInstance() bool { return false }
