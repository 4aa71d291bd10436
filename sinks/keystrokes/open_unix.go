//go:build unix

package keystrokes

import "syscall"

const nonblock = syscall.O_NONBLOCK
