package main

import (
	"os"
	"path/filepath"
	"testing"
)

// TestTheSmallestLimitOfTheGroupsCounts: files and forms are those of cgroups(7) and of the kernel's cgroup-v2 and cgroup-v1 memory documents.
func TestTheSmallestLimitOfTheGroupsCounts(t *testing.T) {
	for name, c := range map[string]struct {
		self  string
		files map[string]string
		want  int64
		file  string
	}{
		"none":                {"0::/system.slice/weighpost.service\n", nil, 0, ""},
		"max is none":         {"0::/a\n", map[string]string{"a/memory.max": "max\n"}, 0, ""},
		"a unit's MemoryMax":  {"0::/system.slice/weighpost.service\n", map[string]string{"system.slice/weighpost.service/memory.max": "536870912\n"}, 536870912, "system.slice/weighpost.service/memory.max"},
		"MemoryHigh below it": {"0::/a\n", map[string]string{"a/memory.max": "1000\n", "a/memory.high": "900\n"}, 900, "a/memory.high"},
		"a slice above":       {"0::/s/a\n", map[string]string{"s/memory.max": "500\n", "s/a/memory.max": "700\n"}, 500, "s/memory.max"},
		"a container":         {"0::/\n", map[string]string{"memory.max": "300\n"}, 300, "memory.max"},
		"version 1":           {"4:memory:/x\n3:cpu,cpuacct:/\n0::/\n", map[string]string{"memory/x/memory.limit_in_bytes": "400\n"}, 400, "memory/x/memory.limit_in_bytes"},
		"none in version 1":   {"4:memory:/x\n", map[string]string{"memory/x/memory.limit_in_bytes": "9223372036854771712\n"}, 0, ""},
		"with another":        {"4:cpu,memory:/x\n", map[string]string{"memory/x/memory.limit_in_bytes": "401\n"}, 401, "memory/x/memory.limit_in_bytes"},
		"hostile":             {"nonsense\n0::/../../x\n4:memory\n", map[string]string{"memory.max": "-5\n"}, 0, ""},
	} {
		root := t.TempDir()
		for file, text := range c.files {
			at := filepath.Join(root, file)
			if err := os.MkdirAll(filepath.Dir(at), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(at, []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, file := groupLimit(root, c.self)
		if rel, _ := filepath.Rel(root, file); file != "" && (got != c.want || rel != c.file) || file == "" && c.file != "" {
			t.Errorf("%s: %d by %q, wanted %d by %q", name, got, file, c.want, c.file)
		}
	}
}
