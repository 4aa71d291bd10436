package foldertest

import (
	"bytes"
	"encoding/json"
	"net"
	"os"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// Listens says whether the server takes connections.
func (p *Process) Listens() bool {
	c, err := net.DialTimeout("tcp", p.Addr, time.Second)
	if err != nil {
		return false
	}
	_ = c.Close()
	return true
}

// Whole wants each entry to be there once, byte for byte, and nothing else, not even what is left over.
func Whole(t testing.TB, dir string, entries []record.Entry) {
	t.Helper()
	want := make(map[string][]byte, len(entries))
	for _, e := range entries {
		want[e.ID] = e.JSON
	}
	for _, a := range Arrivals(dir) {
		var head struct{ ID string }
		_ = json.Unmarshal(a.Body, &head) // what is torn has no id, or another content
		if !bytes.Equal(want[head.ID], a.Body) || want[head.ID] == nil {
			t.Errorf("%s is torn, altered, there twice or was never sent: %.80q", a.Name, a.Body)
		}
		delete(want, head.ID)
	}
	for id := range want {
		t.Errorf("%s was accepted and is not there", id)
	}
	if left := leftOver(t, dir); len(left) > 0 {
		t.Errorf("left over: %v", left)
	}
}

// watch looks all the time at what stands under final names: nobody may ever see half a file.
func watch(t testing.TB, dir string, stop <-chan struct{}) {
	for {
		for _, a := range Arrivals(dir) {
			if !json.Valid(a.Body) {
				t.Errorf("%s was seen half written: %d bytes", a.Name, len(a.Body))
				return
			}
		}
		select {
		case <-stop:
			return
		case <-time.After(5 * time.Millisecond):
		}
	}
}

// Memory is a folder in memory where there is one, with a short path, which everybody may enter: these tests are about what is
// written, and a disk under load takes minutes to sync thousands of files. WEIGHPOST_LONG=1 takes the disk.
func Memory(t testing.TB) string {
	t.Helper()
	place := ""
	if info, err := os.Stat("/dev/shm"); err == nil && info.IsDir() && os.Getenv("WEIGHPOST_LONG") == "" {
		place = "/dev/shm"
	}
	dir, err := os.MkdirTemp(place, "weighpost-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return dir
}
