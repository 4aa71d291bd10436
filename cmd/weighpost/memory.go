package main

import (
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strconv"
	"strings"
)

// share is the part of what the system grants that the Go runtime keeps to (debug.SetMemoryLimit): it works harder to stay below, where
// the kernel would end the program. The rest is for the pages of files that are just being written, which count as well.
const share = 0.9

// keepToMemoryLimit has the runtime keep below what the control groups of this process grant (MemoryMax=, MemoryHigh= of a unit, the limit
// of a container). GOMEMLIMIT, by which somebody has said it already, goes before: the runtime reads it by itself.
func keepToMemoryLimit(log *slog.Logger) {
	if said := os.Getenv("GOMEMLIMIT"); said != "" {
		log.Info("the memory limit is the one of GOMEMLIMIT", "bytes", debug.SetMemoryLimit(-1))
		return
	}
	if runtime.GOOS != "linux" {
		return
	}
	self, err := os.ReadFile("/proc/self/cgroup")
	if err != nil {
		return // there is nothing that limits: it is told by the system what there is
	}
	if granted, file := groupLimit("/sys/fs/cgroup", string(self)); file != "" {
		limit := int64(share * float64(granted))
		debug.SetMemoryLimit(limit)
		log.Info("the memory limit is nine tenths of what the control group grants", "bytes", limit, "granted", granted, "file", file)
	}
}

// groupLimit is the smallest limit on memory, in bytes, of the control groups that self (/proc/self/cgroup, cgroups(7)) names and of those
// above them, and the file that says it; "" where none limits. Both versions of control groups are looked at.
func groupLimit(root, self string) (least int64, file string) {
	least = math.MaxInt64
	look := func(top, path string, names ...string) {
		for dir := filepath.Clean("/" + path); ; dir = filepath.Dir(dir) {
			for _, name := range names {
				at := filepath.Join(root, top, dir, name)
				if n := limitIn(at); n > 0 && n < least {
					least, file = n, at
				}
			}
			if dir == "/" {
				return
			}
		}
	}
	for line := range strings.Lines(self) {
		fields := strings.SplitN(strings.TrimSpace(line), ":", 3) // number, controllers, path
		switch {
		case len(fields) < 3:
		case fields[0] == "0" && fields[1] == "":
			look("", fields[2], "memory.max", "memory.high")
		case strings.Contains(","+fields[1]+",", ",memory,"):
			look("memory", fields[2], "memory.limit_in_bytes")
		}
	}
	return least, file
}

// limitIn reads a limit; 0 where there is none. Version 1 writes none as a number beyond all memory, version 2 as "max".
func limitIn(file string) int64 {
	b, err := os.ReadFile(file)
	if err != nil {
		return 0
	}
	n, err := strconv.ParseInt(strings.TrimSpace(string(b)), 10, 64)
	if err != nil || n >= 1<<60 {
		return 0
	}
	return n
}
