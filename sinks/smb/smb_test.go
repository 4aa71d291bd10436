package smb

import (
	"os"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/folder"
	"weighpost/sinks/folder/foldertest"
	"weighpost/sinks/format"
	"weighpost/sinks/sinktest"
	"weighpost/sinks/sinktest/toxic"
	"weighpost/sinks/smb/samba"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m, toxic.Left()...) }

// passwordVariable is where the tests keep the password.
const passwordVariable = "WEIGHPOST_TEST_SMB_PASSWORD"

// configured is a sink's configuration for a server.
func configured(t testing.TB, address string, change func(*Config)) *Config {
	t.Helper()
	if os.Getenv(passwordVariable) == "" {
		t.Setenv(passwordVariable, samba.Password)
	}
	c := Default()
	c.Server, c.Share, c.User, c.Encrypt = address, samba.Share, samba.User, false
	c.Timeout = strict.Duration(5 * time.Second)
	var err error
	if c.Password, err = strict.SecretFrom("env:" + passwordVariable); err != nil {
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

// far is a server with a network in front. global and share are further lines of its configuration.
func far(t *testing.T, dir, global, share string) *foldertest.Far {
	t.Helper()
	server := samba.Start(t, dir, global, share)
	return &foldertest.Far{Process: server.Process, Dir: server.Dir, Net: toxic.Start(t, server.Addr), Open: func(t testing.TB, address string, change foldertest.Change) *folder.Remote {
		return open(t, configured(t, address, func(c *Config) {
			c.Manifest = change.Manifest
			if change.CSV {
				c.Format = format.NameCSV
			}
		}))
	}}
}

func TestPromises(t *testing.T) {
	sinktest.Run(t, func(t *testing.T) sinktest.Harness {
		f := far(t, "", "", "")
		return f.Harness(t, func(on bool) {
			t.Setenv(passwordVariable, map[bool]string{true: "rye", false: samba.Password}[on])
		})
	})
}

func TestClosedFiles(t *testing.T) {
	f := far(t, "", "", "")
	foldertest.Closed(t, f.Open(t, f.Net.Addr(), foldertest.Change{CSV: true, Manifest: true}), f.Dir)
}

func TestWholeFilesAreKept(t *testing.T) {
	f := far(t, "", "", "")
	foldertest.Kept(t, f.Open(t, f.Net.Addr(), foldertest.Change{}))
}

func TestTheShareTellsWhatItHolds(t *testing.T) {
	f := far(t, "", "", "")
	foldertest.Told(t, f.Open(t, f.Net.Addr(), foldertest.Change{}), f.Open(t, f.Net.Addr(), foldertest.Change{}))
}

func TestAShareThatIsFullOrReadOnly(t *testing.T) {
	foldertest.FullAndReadOnly(t, func(t *testing.T, dir string) *foldertest.Far { return far(t, dir, "", "") })
}

func TestABadNetworkAndAServerThatIsKilledTearNothing(t *testing.T) {
	foldertest.Bad(t, far(t, "", "", ""))
}
