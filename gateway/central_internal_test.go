package gateway

// PullNow asks for a pull of central settings before it is due.
func (g *Gateway) PullNow() { g.pullNow() }
