package mail

import (
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"time"
)

// memory is the file that says what was told. It is a help and no record: without it, one message after a start tells all that holds.
type memory struct {
	folder, name string
	log          *slog.Logger
}

// kept is what the file holds.
type kept struct {
	Told []*told     `json:"told"`
	Sent []time.Time `json:"sent"` // messages of the last hour
}

const (
	mostMemory = 1 << 20 // bytes of the file
	mostTold   = 1000    // conditions
)

func openMemory(folder, id string, log *slog.Logger) *memory {
	return &memory{folder: folder, name: "mail-" + id + ".json", log: log}
}

// load reads what was told. What cannot be read was not told.
func (m *memory) load(hourly *allowance) map[ref]*told {
	all := map[ref]*told{}
	if m.folder == "" {
		return all
	}
	k, err := m.read()
	if errors.Is(err, fs.ErrNotExist) {
		return all
	}
	if err != nil {
		m.log.Warn("what was told before the start cannot be read; all that holds is told once more", "error", err)
		return all
	}
	for _, t := range k.Told {
		if t != nil && len(all) < mostTold {
			all[ref{t.Code, t.Subject}] = t
		}
	}
	for _, at := range k.Sent {
		if now := time.Now(); at.Before(now) && now.Sub(at) < time.Hour {
			hourly.use(at)
		}
	}
	return all
}

func (m *memory) read() (k kept, err error) {
	root, err := os.OpenRoot(m.folder)
	if err != nil {
		return k, err
	}
	defer root.Close()
	info, err := root.Lstat(m.name)
	if err != nil {
		return k, err
	}
	if !info.Mode().IsRegular() || info.Size() > mostMemory {
		return k, errors.New("it is no plain file of a fit size")
	}
	f, err := root.Open(m.name)
	if err != nil {
		return k, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, mostMemory))
	if err == nil {
		err = json.Unmarshal(text, &k)
	}
	return k, err
}

// save writes what was told: whole or not at all.
func (m *memory) save(all map[ref]*told, sent []time.Time) {
	if m.folder == "" {
		return
	}
	k := kept{Sent: sent}
	for _, t := range all {
		if len(k.Told) < mostTold {
			k.Told = append(k.Told, t)
		}
	}
	if err := m.write(k); err != nil {
		m.log.Warn("what was told is not kept; after a restart it is told once more", "error", err)
	}
}

func (m *memory) write(k kept) error {
	text, err := json.Marshal(k)
	if err != nil {
		return err
	}
	root, err := os.OpenRoot(m.folder)
	if err != nil {
		return err
	}
	defer root.Close()
	fresh := m.name + ".tmp"
	f, err := root.OpenFile(fresh, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = root.Rename(fresh, m.name)
	}
	return err
}
