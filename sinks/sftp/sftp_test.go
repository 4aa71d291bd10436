package sftp

import (
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/folder"
	"weighpost/sinks/folder/foldertest"
	"weighpost/sinks/format"
	"weighpost/sinks/sftp/sshd"
	"weighpost/sinks/sinktest"
	"weighpost/sinks/sinktest/toxic"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m, toxic.Left()...) }

// configured is a sink's configuration for a server that is reached at an address.
func configured(t testing.TB, far *sshd.Server, address string, change func(*Config)) *Config {
	t.Helper()
	c := Default()
	c.Server, c.Path, c.User, c.HostKeys = address, far.Dir, far.User, []string{far.HostKey}
	c.Timeout = strict.Duration(5 * time.Second)
	var err error
	if c.PrivateKey, err = strict.SecretFrom("file:" + far.Key); err != nil {
		t.Fatal(err)
	}
	if change != nil {
		change(c)
	}
	return c
}

func open(t testing.TB, c *Config) *folder.Remote {
	t.Helper()
	s, err := New(*c, "share", sinks.Env{Site: "north-seed-bank"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func deliver(t testing.TB, s sinks.Sink, entries []record.Entry) {
	t.Helper()
	if n, err := s.Deliver(t.Context(), entries); n != len(entries) || err != nil {
		t.Fatalf("accepted %d of %d: %v", n, len(entries), err)
	}
}

// far is a server with a network in front.
func far(t *testing.T, dir string) *foldertest.Far {
	t.Helper()
	server := sshd.Start(t, dir, "")
	return &foldertest.Far{Process: server.Process, Dir: server.Dir, Net: toxic.Start(t, server.Addr), Open: func(t testing.TB, address string, change foldertest.Change) *folder.Remote {
		return open(t, configured(t, server, address, func(c *Config) {
			c.Manifest = change.Manifest
			if change.CSV {
				c.Format = format.NameCSV
			}
		}))
	}}
}

func TestPromises(t *testing.T) {
	sinktest.Run(t, func(t *testing.T) sinktest.Harness {
		server := sshd.Start(t, "", "")
		f := &foldertest.Far{Process: server.Process, Dir: server.Dir, Net: toxic.Start(t, server.Addr)}
		f.Open = func(t testing.TB, address string, _ foldertest.Change) *folder.Remote {
			return open(t, configured(t, server, address, nil))
		}
		return f.Harness(t, func(on bool) { server.TurnAway(t, on) })
	})
}

func TestClosedFiles(t *testing.T) {
	f := far(t, "")
	foldertest.Closed(t, f.Open(t, f.Net.Addr(), foldertest.Change{CSV: true, Manifest: true}), f.Dir)
}

func TestWholeFilesAreKept(t *testing.T) {
	f := far(t, "")
	foldertest.Kept(t, f.Open(t, f.Net.Addr(), foldertest.Change{}))
}

func TestTheFolderTellsWhatItHolds(t *testing.T) {
	f := far(t, "")
	foldertest.Told(t, f.Open(t, f.Net.Addr(), foldertest.Change{}), f.Open(t, f.Net.Addr(), foldertest.Change{}))
}

func TestAFolderThatIsFullOrReadOnly(t *testing.T) { foldertest.FullAndReadOnly(t, far) }

func TestABadNetworkAndAServerThatIsKilledTearNothing(t *testing.T) { foldertest.Bad(t, far(t, "")) }
