package support

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"time"

	"weighpost/gateway/config"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// journalFile is a file of the journal's folder.
type journalFile struct {
	Name  string    `json:"name"`
	Bytes int64     `json:"bytes"`
	Mode  string    `json:"mode"`
	At    time.Time `json:"changed"`
}

// journalReport is what a bundle says of a journal.
type journalReport struct {
	Folder       string            `json:"folder"`
	InUse        bool              `json:"in_use"`
	Origin       string            `json:"origin,omitempty"`
	Incarnation  string            `json:"incarnation,omitempty"`
	Head         uint64            `json:"head"`
	Acknowledged uint64            `json:"acknowledged"`
	Unreadable   string            `json:"unreadable,omitempty"`
	Bytes        uint64            `json:"bytes"`
	Free         uint64            `json:"free_bytes"`
	Files        []journalFile     `json:"files"`
	Verify       *journal.Report   `json:"verify,omitempty"`
	NotVerified  string            `json:"not_verified,omitempty"`
	LastKinds    map[string]int    `json:"kinds_of_the_last_entries"`
	Cursors      map[string]uint64 `json:"cursors,omitempty"` // of a journal that nobody has open
	Parked       map[string]int    `json:"parked,omitempty"`
}

// lookBack is how many of the last entries are counted by kind.
const lookBack = 1000

func journalFacts(ctx context.Context, o *Options) ([]byte, error) {
	dir := o.Config.Journal.Folder
	r := journalReport{Folder: dir, InUse: journal.InUse(dir), LastKinds: map[string]int{}}
	about, err := journal.AboutDir(ctx, dir)
	if err != nil {
		r.Unreadable = err.Error()
	}
	r.Origin, r.Incarnation, r.Head, r.Acknowledged = about.Origin, about.Incarnation, about.Head, about.Acknowledged
	r.Bytes, _ = journal.SizeOf(dir)
	r.Free, _ = journal.Free(dir)
	if r.Files, err = files(dir); err != nil {
		return nil, err
	}
	limit, cancel := context.WithTimeout(ctx, o.VerifyFor)
	defer cancel()
	switch report, err := journal.Verify(limit, dir, "", nil); {
	case err == nil:
		r.Verify = &report
	case errors.Is(limit.Err(), context.DeadlineExceeded) && ctx.Err() == nil:
		r.NotVerified = fmt.Sprintf("not done within %s: run weighpost journal verify", o.VerifyFor)
	default:
		r.NotVerified = err.Error()
	}
	if r.Unreadable == "" {
		if err := journal.ScanWith(ctx, dir, "", r.Head-min(r.Head, lookBack), func(e record.Entry) error {
			r.LastKinds[string(e.Kind)]++
			return nil
		}); err != nil {
			r.Unreadable = err.Error()
		}
	}
	if s, err := journal.SnapshotDir(ctx, dir); !r.InUse && err == nil {
		r.Cursors, r.Parked = s.Cursors, map[string]int{}
		for _, p := range s.Parked {
			r.Parked[p.Cursor]++
		}
	}
	return pretty(r)
}

// files lists what lies in the journal's folder and in those right below it, not what is in it.
func files(dir string) (list []journalFile, err error) {
	err = filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, _ := filepath.Rel(dir, path)
		if d.IsDir() {
			if strings.Count(rel, string(filepath.Separator)) > 0 {
				return fs.SkipDir
			}
			return nil
		}
		info, err := d.Info()
		if errors.Is(err, fs.ErrNotExist) {
			return nil // it went while we looked
		}
		if err == nil && (filepath.Dir(rel) == "." || filepath.Dir(rel) == "segments") {
			list = append(list, journalFile{rel, info.Size(), info.Mode().String(), info.ModTime().UTC()})
		}
		return err
	})
	return list, err
}

// entries are the last entries, byte for byte.
func entries(ctx context.Context, o *Options) ([]byte, error) {
	dir := o.Config.Journal.Folder
	about, err := journal.AboutDir(ctx, dir)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	err = journal.ScanWith(ctx, dir, "", about.Head-min(about.Head, uint64(o.Entries)), func(e record.Entry) error {
		b.Write(e.JSON)
		b.WriteByte('\n')
		return nil
	})
	return b.Bytes(), err
}

// system is the computer, as far as it matters to the daemon.
func system(_ context.Context, o *Options) ([]byte, error) {
	facts := map[string]any{
		"system": runtime.GOOS, "architecture": runtime.GOARCH, "processors": runtime.NumCPU(), "zone": time.Now().Format("MST -07:00"),
		"time": time.Now().UTC().Format(time.RFC3339), "gomemlimit_of_this_command": os.Getenv("GOMEMLIMIT"),
	}
	for name, file := range map[string]string{"release": "/etc/os-release", "kernel": "/proc/version", "memory": "/proc/meminfo",
		"load": "/proc/loadavg", "up": "/proc/uptime", "clock_source": "/sys/devices/system/clocksource/clocksource0/current_clocksource"} {
		if b, err := os.ReadFile(file); err == nil {
			facts[name] = strings.Split(strings.TrimSpace(string(b)), "\n")
		}
	}
	free := map[string]any{}
	for _, folder := range folders(o.Config) {
		if n, err := journal.Free(folder); err == nil {
			free[folder] = n
		} else {
			free[folder] = err.Error()
		}
	}
	facts["free_bytes"] = free
	return pretty(facts)
}

// folders are those that the daemon writes to.
func folders(cfg *config.Config) []string {
	list := []string{cfg.Journal.Folder}
	for _, f := range []string{cfg.Backup.Folder, cfg.Journal.Retention.Folder} {
		if f != "" {
			list = append(list, f)
		}
	}
	for _, s := range cfg.Sinks {
		if w, ok := s.Settings.(interface{ WritesTo() []string }); ok {
			list = append(list, w.WritesTo()...)
		}
	}
	return list
}

// Built is what the program was built from, for Options.Version.
func Built(version string) map[string]string {
	facts := map[string]string{"version": version, "go": runtime.Version(), "system": runtime.GOOS + "/" + runtime.GOARCH}
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			facts[s.Key] = s.Value
		}
	}
	return facts
}
