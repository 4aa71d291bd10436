package port

// quieter is a port that knows whether anything was received that its reader has not dealt with. It may be asked from any
// goroutine.
type quieter interface{ quiet() bool }

// Quiet says whether nothing is on its way: no byte waits in the computer to be read, and all that were read have been
// handed over and dealt with by the handler. What a device on the way still holds back cannot be seen. known is false
// where the port cannot tell. It may be called from any goroutine, also while the handler is being called.
//
// Whoever asks while holding back the handler knows that everything that comes later arrived after the question.
func (l *Line) Quiet() (quiet, known bool) {
	l.mu.Lock()
	p := l.port
	l.mu.Unlock()
	if p == nil {
		return true, true
	}
	q, ok := p.(quieter)
	return ok && q.quiet(), ok
}
