//go:build !linux

package mqtt

import "net"

// acknowledgeSoon does nothing: there is no such wish here, and a batch may take a delayed acknowledgement longer.
func acknowledgeSoon(*net.TCPConn) {}
