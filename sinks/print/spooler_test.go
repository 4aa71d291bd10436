//go:build unix

package print

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/format"
	"weighpost/sinks/sinktest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// slips is a configuration that prints each weighing as a line of the user's own.
func slips() *Config {
	c := Default()
	c.Format = format.NameTemplate
	c.Template.Text = "{{.context.sample.id}} {{.value.digits}} {{.value.unit}}"
	c.Unknown = "replace"
	return c
}

func TestASlipGoesThroughARealSpooler(t *testing.T) {
	s := startSpooler(t)
	c := slips()
	c.Way, c.Queue, c.Server, c.Type = Spooler, "lab", s.address, "application/vnd.cups-raw"
	sink := open(t, c)
	entries := sinktest.Weighings(3, 1)
	n, err := sink.Deliver(t.Context(), entries)
	if n != 3 || err != nil {
		t.Fatalf("%d printed: %v", n, err)
	}
	given := sink.(sinks.Receipter).Receipts()
	if len(given) != 3 || !strings.HasPrefix(given[0].Given, "lab-") || len(given[0].SHA256) != 64 || given[0].ID != entries[0].ID {
		t.Errorf("what came back is %+v", given)
	}
	all := strings.Join(s.printer.wait(t, 3), "")
	for i, e := range entries {
		doc, err := sink.(*Sink).maker.make(e, false)
		if err != nil || strings.Count(all, string(doc)) != 1 {
			t.Errorf("%d: %q is not once in %q: %v", i, doc, all, err)
		}
	}
}

func TestASpoolerThatDoesNotTakeJobs(t *testing.T) {
	s := startSpooler(t)
	c := slips()
	c.Way, c.Queue, c.Server = Spooler, "nobodys", s.address
	var unusable sinks.Unusable
	if _, err := open(t, c).Deliver(t.Context(), sinktest.Weighings(1, 1)); !errors.As(err, &unusable) {
		t.Errorf("a queue that there is not: %v", err)
	}
	c.Queue = "lab"
	s.must(t, "cupsreject", "lab")
	var busy sinks.Busy
	if _, err := open(t, c).Deliver(t.Context(), sinktest.Weighings(1, 1)); !errors.As(err, &busy) {
		t.Errorf("a queue that rejects: %v", err)
	}
	s.kill(t)
	_, err := open(t, c).Deliver(t.Context(), sinktest.Weighings(1, 1))
	if err == nil || errors.As(err, &busy) || errors.As(err, &unusable) {
		t.Errorf("a spooler that does not run: %v", err)
	}
}

// TestASpoolerThatWasJustStarted: lp says the same of a spooler that does not run and of a queue that there is not. One that has come up
// by the time that it is asked is waited for, and no person is called. The commands are stand-ins, as the moment cannot be met on purpose.
func TestASpoolerThatWasJustStarted(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("PATH", dir+":"+os.Getenv("PATH"))
	stand := func(name, script string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("#!/bin/sh\n"+script+"\n"), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	stand("lp", `echo "lp: Error - The printer or class does not exist." >&2; exit 1`)
	c := slips()
	c.Way, c.Queue = Spooler, "lab"
	for knows, person := range map[string]bool{"true": false, "false": true} {
		stand("lpstat", `case "$*" in -r) echo "scheduler is running";; *"-p lab") `+knows+`;; *) exit 2;; esac`)
		_, err := open(t, c).Deliver(t.Context(), sinktest.Weighings(1, 1))
		if err == nil || errors.As(err, new(sinks.Unusable)) != person {
			t.Errorf("the queue is there by then, %s: %v", knows, err)
		}
	}
}

// TestATitleThatNoCommandTakes: an id with a NUL, as a journal from elsewhere may have, is set aside and not tried for ever.
func TestATitleThatNoCommandTakes(t *testing.T) {
	c := slips()
	c.Way, c.Queue = Spooler, "lab"
	entries := sinktest.Weighings(1, 1)
	entries[0].ID += "\x00"
	var refused sinks.Refused
	if n, err := open(t, c).Deliver(t.Context(), entries); n != 0 || !errors.As(err, &refused) || !strings.Contains(err.Error(), "NUL") {
		t.Errorf("%d printed: %v", n, err)
	}
}

func open(t testing.TB, c *Config) sinks.Sink {
	t.Helper()
	s, err := c.Open("labels", sinks.Env{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func printers(s *spoolerd) *Config {
	c := slips()
	c.Way, c.URL, c.Type = IPP, "ipp://"+s.address+"/printers/lab", "application/vnd.cups-raw"
	return c
}

func TestIPPWaitsForTheJob(t *testing.T) {
	s := startSpooler(t)
	sink := open(t, printers(s))
	entries := sinktest.Weighings(2, 1)
	n, err := sink.Deliver(t.Context(), entries)
	if n != 2 || err != nil {
		t.Fatalf("%d printed: %v", n, err)
	}
	if got := s.printer.printed(); len(got) != 2 {
		t.Errorf("%d jobs are printed, and 2 were said to be", len(got))
	}
	if given := sink.(sinks.Receipter).Receipts(); len(given) != 2 || !strings.HasPrefix(given[0].Given, "job ") {
		t.Errorf("what came back is %+v", given)
	}
}

// TestAStoppedPrinterLosesNothingAndPrintsOnce: paper is out, then put in.
func TestAStoppedPrinterLosesNothingAndPrintsOnce(t *testing.T) {
	s := startSpooler(t)
	s.must(t, "cupsdisable", "-r", "no labels left", "lab")
	sink := open(t, printers(s))
	entries := sinktest.Weighings(1, 1)
	var busy sinks.Busy
	for range 3 {
		if n, err := sink.Deliver(t.Context(), entries); n != 0 || !errors.As(err, &busy) {
			t.Fatalf("%d printed: %v", n, err)
		}
	}
	s.must(t, "cupsenable", "lab")
	printedInTheEnd(t, sink, entries)
	time.Sleep(300 * time.Millisecond)
	if got := s.printer.printed(); len(got) != 1 {
		t.Errorf("printed %d times", len(got))
	}
}

func TestIPPErrorsAreToldApart(t *testing.T) {
	s := startSpooler(t)
	var busy sinks.Busy
	var unusable sinks.Unusable
	var refused sinks.Refused
	e := sinktest.Weighings(1, 1)

	c := printers(s)
	c.Type = "application/x-unheard-of"
	if _, err := open(t, c).Deliver(t.Context(), e); !errors.As(err, &unusable) {
		t.Errorf("a format that the printer does not know: %v", err)
	}
	c = printers(s)
	c.URL = "ipp://" + s.address + "/printers/nobodys"
	if _, err := open(t, c).Deliver(t.Context(), e); !errors.As(err, &unusable) {
		t.Errorf("a printer that there is not: %v", err)
	}
	s.must(t, "cupsreject", "lab")
	if _, err := open(t, printers(s)).Deliver(t.Context(), e); !errors.As(err, &busy) {
		t.Errorf("a printer that takes no jobs: %v", err)
	}
	s.must(t, "cupsaccept", "lab")

	s.must(t, "cupsdisable", "lab")
	sink := open(t, printers(s))
	if _, err := sink.Deliver(t.Context(), e); !errors.As(err, &busy) {
		t.Fatalf("a stopped printer: %v", err)
	}
	s.must(t, "cancel", "-a")
	if _, err := sink.Deliver(t.Context(), e); !errors.As(err, &refused) {
		t.Errorf("a job that somebody cancelled: %v", err)
	}
	s.kill(t)
	_, err := open(t, printers(s)).Deliver(t.Context(), e)
	if err == nil || errors.As(err, &busy) || errors.As(err, &unusable) || errors.As(err, &refused) {
		t.Errorf("a print server that is away: %v", err)
	}
}

// TestAPrintServerKilledInMidJob: what it had taken is not sent again where it still knows of it; a job that it lost, as a server
// does that is killed before it has written its list, comes again, marked as a copy, and so does one of which its lists say both that it
// is printed and that it is not, as they do after a kill between the two, and one whose number it has given to somebody else. Nothing is
// torn.
func TestAPrintServerKilledInMidJob(t *testing.T) {
	cases := map[string]struct{ forget, meanwhile func(*testing.T, *spoolerd) }{
		"and knows of it":                        {nil, nil},
		"and has lost it":                        {loseJobs, nil},
		"and has two minds about it":             {confuseJobs, nil},
		"and has given its number to a stranger": {loseJobs, strangerPrints},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			s := startSpooler(t)
			s.printer.set(func() { s.printer.jam = true })
			sink := open(t, printers(s))
			sink.(*Sink).way.(*printer).stray = 300 * time.Millisecond
			entries := sinktest.Weighings(1, 1)
			ctx, cancel := context.WithTimeout(t.Context(), 700*time.Millisecond)
			defer cancel()
			if n, err := sink.Deliver(ctx, entries); n != 0 || err == nil {
				t.Fatalf("%d printed by a printer that takes nothing: %v", n, err)
			}
			s.kill(t)
			if n, err := sink.Deliver(t.Context(), entries); n != 0 || err == nil {
				t.Fatalf("%d printed while the server was away: %v", n, err)
			}
			if c.forget != nil {
				c.forget(t, s)
			}
			s.printer.set(func() { s.printer.jam = false })
			s.start(t)
			if c.meanwhile != nil {
				c.meanwhile(t, s)
			}
			printedInTheEnd(t, sink, entries)
			copies := 0
			for i, job := range s.printer.wait(t, 1) {
				if job == strangers {
					continue
				}
				if !strings.Contains(job, entries[0].ID) {
					t.Errorf("job %d is torn: %q", i, job)
				}
				if strings.Contains(job, strings.TrimSpace(copyMark)) {
					copies++
				}
			}
			if (c.forget != nil) != (copies > 0) {
				t.Errorf("%d are marked as copies", copies)
			}
		})
	}
}

// loseJobs has a print server that does not run forget all jobs.
func loseJobs(_ *testing.T, s *spoolerd) {
	jobs, _ := filepath.Glob(filepath.Join(s.dir, "spool", "[cd]0*"))
	for _, job := range append(jobs, filepath.Join(s.dir, "cache", "job.cache")) {
		os.Remove(job)
	}
}

const strangers = "a slip of somebody else\n"

// strangerPrints has somebody else print, who gets the first number.
func strangerPrints(t *testing.T, s *spoolerd) {
	path := filepath.Join(t.TempDir(), "slip")
	if err := os.WriteFile(path, []byte(strangers), 0o644); err != nil {
		t.Fatal(err)
	}
	if said := s.must(t, "lp", "-d", "lab", "-t", "other", "-o", "document-format=application/vnd.cups-raw", path); !strings.Contains(said, "lab-1 ") {
		t.Fatalf("the stranger got another number: %s", said)
	}
}

// confuseJobs has its list say that a job is completed, of which the job's own file says that it is being printed.
func confuseJobs(t *testing.T, s *spoolerd) {
	path := filepath.Join(s.dir, "cache", "job.cache")
	list, err := os.ReadFile(path)
	changed := strings.Replace(string(list), "State 5\n", "State 9\n", 1)
	if err != nil || changed == string(list) {
		t.Fatalf("no job is being printed: %v %s", err, list)
	}
	if err := os.WriteFile(path, []byte(changed), 0o640); err != nil {
		t.Fatal(err)
	}
}

// printedInTheEnd tries again, as deliveries do.
func printedInTheEnd(t *testing.T, sink sinks.Sink, entries []record.Entry) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	for {
		n, err := sink.Deliver(ctx, entries)
		if n == 1 {
			return
		}
		if ctx.Err() != nil {
			t.Fatal(err)
		}
		time.Sleep(50 * time.Millisecond)
	}
}
