package watchdog

import (
	"log/slog"
	"sync"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
)

// Manager is the service manager that started the daemon, if there is one: systemd, or what speaks its protocol (sd_notify(3)).
// Without one every method does nothing. Its methods may be called from any goroutine.
type Manager struct {
	send     func(state string) (bool, error)
	watchdog time.Duration
	log      *slog.Logger

	mu     sync.Mutex
	status string
	failed bool // said once, not with every sign of life
}

// FindManager reads from the environment whether a manager listens, and how often it wants a sign of life.
func FindManager(log *slog.Logger) *Manager {
	m := &Manager{send: func(state string) (bool, error) { return daemon.SdNotify(false, state) }, log: log}
	every, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		log.Warn("the service manager's wish for signs of life cannot be read, and gets none", "err", err)
	}
	m.watchdog = every
	return m
}

// Config is how a Watch keeps the manager content: the manager waits for WATCHDOG_USEC after the last sign of life, a part may
// stand still for half of that, and looks come four times as often. A part that is stuck is thus noticed by the manager after
// at most one and a half times WATCHDOG_USEC (and a quarter). Without a manager that wants signs, it is the zero Config.
func (m *Manager) Config() Config {
	c := Config{Limit: m.watchdog / 2, Every: m.watchdog / 8}
	if m.watchdog > 0 {
		c.Ping = m.Ping
	}
	return c
}

// Ready says that the daemon is at work, at the start and after a reload.
func (m *Manager) Ready() { m.notify(daemon.SdNotifyReady) }

// Reloading says that a reload begins; Ready ends it, whatever came of it. The time is what Type=notify-reload asks for
// (systemd.service(5)): it tells this reload from one before.
func (m *Manager) Reloading() {
	m.notify(daemon.SdNotifyReloading + "\n" + daemon.SdNotifyMonotonicUsec())
}

// Stopping says that the daemon ends.
func (m *Manager) Stopping() { m.notify(daemon.SdNotifyStopping) }

// Ping is the sign of life.
func (m *Manager) Ping() { m.notify(daemon.SdNotifyWatchdog) }

// Status tells in one line how the daemon is, when that has changed.
func (m *Manager) Status(line string) {
	m.mu.Lock()
	same := m.status == line
	m.status = line
	m.mu.Unlock()
	if !same {
		m.notify("STATUS=" + line)
	}
}

func (m *Manager) notify(state string) {
	_, err := m.send(state)
	m.mu.Lock()
	first := err != nil && !m.failed
	m.failed = err != nil
	m.mu.Unlock()
	if first {
		m.log.Warn("the service manager cannot be told how the daemon is, and may restart it", "err", err)
	}
}
