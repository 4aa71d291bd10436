package statistics

// Limit has a test's gatherer hold so many runs alone.
func (g *Gather) Limit(most int) { g.most = most }
