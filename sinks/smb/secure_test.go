package smb

import (
	"errors"
	"os/exec"
	"strings"
	"testing"
	"time"

	smb2 "github.com/cloudsoda/go-smb2"

	"weighpost/gateway/needs"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/folder/foldertest"
	"weighpost/sinks/sinktest"
)

// TestWhatIsNotSignedOrEncryptedIsNotSent: the server's answer decides nothing that the configuration forbids.
func TestWhatIsNotSignedOrEncryptedIsNotSent(t *testing.T) {
	guests := "map to guest = bad user\nguest account = nobody\nrestrict anonymous = 0"
	for name, c := range map[string]struct {
		global, share string
		change        func(*Config)
		want          string // "" for delivered
	}{
		"encrypted":            {"smb encrypt = required", "", func(c *Config) { c.Encrypt = true }, ""},
		"an encrypted share":   {"", "smb encrypt = required", func(c *Config) { c.Encrypt = true }, ""},
		"in the clear":         {"", "", func(c *Config) { c.Encrypt = true }, "does not ask for encryption"},
		"no encryption at all": {"smb encrypt = off", "", func(c *Config) { c.Encrypt = true }, "does not ask for encryption"},
		"made a guest":         {guests, "guest ok = yes", func(c *Config) { c.User = "stranger" }, "takes the user for a guest"},
		"a guest by choice":    {guests, "guest ok = yes", func(c *Config) { c.Guest, c.User, c.Password = true, "", strict.Secret{} }, ""},
		"no such share":        {"", "", func(c *Config) { c.Share = "barley" }, "there is no share of this name"},
		"no such folder":       {"", "", func(c *Config) { c.Path = "barley/2026" }, "create it"},
		"another user":         {"", "", func(c *Config) { c.User = "stranger" }, "user or password is wrong"},
		"not for this user":    {"", "valid users = root", nil, "is not for this user"},
	} {
		t.Run(name, func(t *testing.T) {
			f := far(t, "", c.global, c.share)
			n, err := open(t, configured(t, f.Addr, c.change)).Deliver(t.Context(), sinktest.Weighings(3, 1))
			var unusable sinks.Unusable
			switch {
			case c.want == "" && n != 3:
				t.Errorf("accepted %d: %v", n, err)
			case c.want != "" && (n != 0 || err == nil || !strings.Contains(err.Error(), c.want)):
				t.Errorf("accepted %d, and said %v, which is to hold %q", n, err, c.want)
			case c.want != "" && name != "no such folder" && !errors.As(err, &unusable):
				t.Errorf("%v passes by itself, it seems", err)
			}
			if c.want != "" && len(foldertest.Files(t, f.Dir)) > 0 {
				t.Errorf("there is %v", foldertest.Files(t, f.Dir))
			}
		})
	}
}

// TestIdsThatDifferInCaseOnly meet on a share that does not tell them apart: the second is refused, and replaces nothing.
func TestIdsThatDifferInCaseOnly(t *testing.T) {
	f := far(t, "", "", "")
	s := open(t, configured(t, f.Addr, func(c *Config) { c.Name = "{sample}-{id}.json" }))
	entries := sinktest.WithSamples([]string{"LOT-7", "lot-7"}, 1)
	entries[1].JSON = []byte(strings.Replace(string(entries[1].JSON), entries[1].ID, entries[0].ID, 1))
	n, err := s.Deliver(t.Context(), entries)
	var refused sinks.Refused
	if n != 1 || !errors.As(err, &refused) || !strings.Contains(err.Error(), "is not replaced") {
		t.Errorf("accepted %d: %v", n, err)
	}
	foldertest.Whole(t, f.Dir, entries[:1])
}

// TestAFileThatAnotherProgramHasOpen: a checkpoint takes the place of the one before, which somebody may be reading. Servers
// refuse that or not (Samba does where the reader is on the same connection); either way what is there is whole.
func TestAFileThatAnotherProgramHasOpen(t *testing.T) {
	f := far(t, "", "", "")
	c := configured(t, f.Addr, nil)
	s := open(t, c)
	note := func(size string) []byte {
		return []byte("weighpost/north-seed-bank/aaaaa\n" + size + "\nroot\n\nsignature\n")
	}
	if err := s.Checkpoint(t.Context(), note("40")); err != nil {
		t.Fatal(err)
	}
	reader, err := c.dial(t.Context(), f.Addr)
	if err != nil {
		t.Fatal(err)
	}
	name := foldertest.Files(t, f.Dir)[0]
	held, err := reader.Open(t.Context(), name)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Checkpoint(t.Context(), note("55")); err != nil {
		foldertest.Passing(t, err, "")
	}
	if err := errors.Join(held.Close(), reader.Close()); err != nil {
		t.Error(err)
	}
	if err := s.Checkpoint(t.Context(), note("56")); err != nil {
		t.Error(err)
	}
	if body := foldertest.Arrivals(f.Dir)[0].Body; !strings.Contains(string(body), `aaaaa\n56`) {
		t.Errorf("it holds %s", body)
	}
	if got := foldertest.Files(t, f.Dir); len(got) != 1 {
		t.Errorf("left over: %v", got)
	}
}

// TestAnotherProgramReads what was delivered: smbclient, of Samba.
func TestAnotherProgramReads(t *testing.T) {
	needs.Programs(t, "smbclient")
	f := far(t, "", "", "")
	e := sinktest.Weighings(1, 1)
	deliver(t, open(t, configured(t, f.Addr, func(c *Config) { c.Name = "{id}.json" })), e)
	_, port, _ := strings.Cut(f.Addr, ":")
	out, err := exec.Command("smbclient", "-p", port, "-U", "nobody%barley-4410", "//127.0.0.1/weighings", "-c",
		"get "+foldertest.Files(t, f.Dir)[0]+" -").Output()
	if err != nil || !strings.HasPrefix(string(out), string(e[0].JSON)) {
		t.Errorf("%v: %s", err, out)
	}
}

// TestAnswersAreTold: each status is a sentence, and what passes is told from what needs a person.
func TestAnswersAreTold(t *testing.T) {
	c := configured(t, "files.example", nil)
	for code, m := range answers {
		err := c.explain(&smb2.ResponseError{Code: code})
		var u sinks.Unusable
		var r sinks.Refused
		if isU, isR := errors.As(err, &u), errors.As(err, &r); isU != (m.verdict == unusable) || isR != (m.verdict == refused) || !strings.Contains(err.Error(), m.words) {
			t.Errorf("%08X: %v", code, err)
		}
	}
	foldertest.Passing(t, c.explain(&smb2.ResponseError{Code: 0xC00000E8}), "files.example")
}

func TestAFrozenServerEndsTheCall(t *testing.T) {
	f := far(t, "", "", "")
	s := open(t, configured(t, f.Addr, func(c *Config) { c.Timeout = strict.Duration(300 * time.Millisecond) }))
	entries := sinktest.Weighings(6, 1)
	deliver(t, s, entries[:3])
	f.Freeze(t)
	began := time.Now()
	_, err := s.Deliver(t.Context(), entries[3:])
	foldertest.Passing(t, err, "does not answer")
	if took := time.Since(began); took > 5*time.Second {
		t.Errorf("it took %s", took)
	}
	f.Thaw(t)
	for range 50 {
		if _, err = s.Deliver(t.Context(), entries[3:]); err == nil {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	foldertest.Whole(t, f.Dir, entries)
}

func TestConfigFaults(t *testing.T) {
	const good = "server: files.example\nshare: weighings\nuser: bench\npassword: env:P\n"
	for text, want := range map[string]string{
		good:                                      "",
		good + "path: lab/weighings":              "",
		good + "name: \"{day}.json\"":             "name: does not tell entries apart",
		good + "name: \"{batch}.json\"":           "name: holds {batch}, and no closed period is set",
		good + "closed: day\nname: \"{id}.json\"": "name: does not tell closed files apart",
		good + "path: ../x":                       "path: has the part \"..\"",
		good + "path: /x":                         "path: has an empty part",
		good + "timeout: 1ms":                     "timeout: 1ms is out of range",
		good + "insecure: true":                   "insecure: is for guests",
		"server: files.example\nshare: weighings": "user: user and password are missing",
		"server: a/b\nshare: weighings\nuser: bench\npassword: env:P":                           `server: "a/b" is no host`,
		"server: a:0\nshare: weighings\nuser: bench\npassword: env:P":                           `server: "0" is no port`,
		"server: files.example\nshare: a/b\nuser: bench\npassword: env:P":                       `share: "a/b" is no name of a share`,
		"server: files.example\nshare: w\nguest: true\nencrypt: false":                          "guest: a guest's connection to files.example:445",
		"server: files.example\nshare: w\nguest: true\ninsecure: true":                          "encrypt: a guest's connection cannot be encrypted",
		"server: files.example\nshare: w\nguest: true\nencrypt: false\ninsecure: true":          "",
		"server: files.example\nshare: w\nguest: true\nencrypt: false\ninsecure: true\nuser: x": "guest: a guest has no user",
	} {
		c := struct { // as a whole configuration is read
			Config `yaml:",inline"`
			Closed string `yaml:"closed"`
		}{Config: *Default()}
		doc, faults := strict.Load("sink.yaml", []byte(text), &c)
		report := doc.Report()
		c.Check(report)
		all := append(faults, report.Faults()...)
		if want == "" && len(all) > 0 || want != "" && (len(all) != 1 || !strings.Contains(all.Error(), want)) {
			t.Errorf("%q:\n got  %v\n want %s", text, all, want)
		}
	}
}

// TestAReaderThatTakesFilesAway at once, as lab systems do, has had them: they are not written for it again and again.
func TestAReaderThatTakesFilesAway(t *testing.T) {
	f := far(t, "", "", "")
	c := configured(t, f.Addr, nil)
	s, err := c.dial(t.Context(), f.Addr)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	file, err := s.Create(t.Context(), "there.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := file.Close(); err != nil {
		t.Fatal(err)
	}
	if n, err := s.Settle(t.Context(), []string{"taken.json", "there.json", "taken-too.json"}); n != 3 || err != nil {
		t.Errorf("settled %d: %v", n, err)
	}
}
