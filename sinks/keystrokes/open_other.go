//go:build !unix

package keystrokes

const nonblock = 0
