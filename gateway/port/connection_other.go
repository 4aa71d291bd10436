//go:build !linux && !darwin && !windows

package port

// prepare does nothing: here only the probes of an idle connection notice a server that went without a word.
func (k *connection) prepare() {}

func (k *connection) unconfirmed() unconfirmed { return unconfirmed{} }
