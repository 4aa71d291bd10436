// Package support packs what somebody who helps from afar needs to see of an installation into one file: versions, settings, conditions,
// numbers, the last lines of the log, facts of the journal, of ports and of the computer. It owns which facts those are, and what is taken
// out of them: no secret is among them, no value of a weighing, no sample and no name of a person, unless entries are asked for. Texts
// of others (what a server answered, an error of the system) stand in the log as they came: a person looks through the file before
// it is sent.
//
// It changes nothing, and works whether or not a daemon runs.
package support

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"weighpost/gateway/config"
)

// Options say of what a bundle is made.
type Options struct {
	Config *config.Config
	// Version is what the program says of itself, and what it was built from.
	Version map[string]string
	// Ask gets a path of the daemon's page, such as /metrics; nil: no daemon runs.
	Ask func(ctx context.Context, path string) ([]byte, error)
	// Log is a file with the daemon's log; "": systemd's journal is asked.
	Log string
	// Entries is how many of the journal's last entries are packed whole, with values, samples and names; 0: none.
	Entries int
	// VerifyFor is how long verifying the journal may take.
	VerifyFor time.Duration
}

// Part is one file of a bundle.
type Part struct {
	Name  string `json:"file"`
	What  string `json:"what"`
	Bytes int    `json:"bytes"`
	// Missing is why it could not be had; the file is not there then.
	Missing string `json:"missing,omitempty"`

	content []byte
}

// source makes one part.
type source struct {
	name, what string
	gather     func(ctx context.Context, o *Options) ([]byte, error)
}

var sources = []source{
	{"version.json", "version of the program, and what it was built with", versionFacts},
	{"configuration.json", "the settings, with places of secrets in place of secrets", configuration},
	{"conditions.json", "what is wrong now; of conditions that name people, samples or values the code alone", conditions},
	{"metrics.txt", "the daemon's measurements", metrics},
	{"destinations.json", "how far each destination is, and why it is not further", destinations},
	{"clock.json", "the clock and its time servers", clock},
	{"goroutines.txt", "what the daemon's goroutines are doing, without their data", goroutines},
	{"log.txt", "the last lines of the daemon's log, without what names people and samples", logLines},
	{"journal.json", "the journal's size, head and files, whether it verifies, and its last thousand entries by kind", journalFacts},
	{"ports.json", "the serial ports of the computer", ports},
	{"system.json", "the computer: system, memory, limits, disks", system},
}

var lastEntries = source{"entries.ndjson", "the last entries of the journal WHOLE, with values, samples and names of people, as asked for", entries}

// readme is the name of what says what is in a bundle.
const readme = "README.txt"

// Write writes a bundle, a tar file packed with gzip, and says what is in it. A part that cannot be had is said, and is no error.
func Write(ctx context.Context, w io.Writer, o Options) ([]Part, error) {
	now := time.Now().UTC().Truncate(time.Second)
	list := sources
	if o.Entries > 0 {
		list = append(list[:len(list):len(list)], lastEntries)
	}
	var parts []Part
	for _, s := range list {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		p := Part{Name: s.name, What: s.what}
		content, err := s.gather(ctx, &o)
		if err != nil {
			p.Missing = withoutAddresses(err.Error())
		} else {
			p.content = content
			if s.name != lastEntries.name {
				p.content = []byte(withoutAddresses(string(content)))
			}
			p.Bytes = len(p.content)
		}
		parts = append(parts, p)
	}
	first := about(now, o, parts)
	parts = append([]Part{{Name: readme, What: "what is in this bundle and what is not", Bytes: len(first), content: first}}, parts...)
	return parts, pack(w, now, parts)
}

func pack(w io.Writer, now time.Time, parts []Part) error {
	z := gzip.NewWriter(w)
	t := tar.NewWriter(z)
	for _, p := range parts {
		if p.Missing != "" {
			continue
		}
		h := &tar.Header{Name: "weighpost-support/" + p.Name, Mode: 0o600, Size: int64(len(p.content)), ModTime: now, Format: tar.FormatPAX}
		if err := t.WriteHeader(h); err != nil {
			return fmt.Errorf("%s cannot be packed: %w", p.Name, err)
		}
		if _, err := t.Write(p.content); err != nil {
			return fmt.Errorf("%s cannot be packed: %w", p.Name, err)
		}
	}
	if err := t.Close(); err != nil {
		return err
	}
	return z.Close()
}

// Warning is what a person is told who has made a bundle.
const Warning = "Look through it before you send it: texts of other programs stand in it as they came."

// about is the bundle's own description.
func about(now time.Time, o Options, parts []Part) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "A support bundle of weighpost, site %s, made %s.\n\n%s\n\n", o.Config.Site, now.Format(time.RFC3339), Warning)
	for _, p := range parts {
		if p.Missing == "" {
			fmt.Fprintf(&b, "%-20s %s\n", p.Name, p.What)
		}
	}
	for _, p := range parts {
		if p.Missing != "" {
			fmt.Fprintf(&b, "\nNot here: %s (%s): %s.\n", p.Name, p.What, p.Missing)
		}
	}
	b.WriteString("\nLeft out: secrets (of each, where it is kept), values of weighings, samples, names and addresses of people.\n")
	if o.Entries > 0 {
		fmt.Fprintf(&b, "But for entries.ndjson: the last %d entries of the journal are there whole, as was asked for.\n", o.Entries)
	}
	return b.Bytes()
}

// pretty writes a value as JSON for people.
func pretty(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	err := e.Encode(v)
	return b.Bytes(), err
}

func versionFacts(_ context.Context, o *Options) ([]byte, error) { return pretty(o.Version) }

func configuration(_ context.Context, o *Options) ([]byte, error) {
	var b bytes.Buffer
	if err := json.Indent(&b, o.Config.Redacted(), "", "  "); err != nil {
		return nil, err
	}
	return append(b.Bytes(), '\n'), nil
}
