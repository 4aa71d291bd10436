//go:build !linux

package port

import "errors"

// openNative is never reached: the configuration refuses the driver native on this system.
func openNative(c Config) (Port, error) {
	return nil, explain(c, errors.New("the driver native exists only on Linux"))
}
