//go:build !linux

package port

func runList(string) {}
