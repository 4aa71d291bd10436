package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"filippo.io/age"

	"weighpost/gateway"
	"weighpost/gateway/backup"
	"weighpost/gateway/clock"
	"weighpost/gateway/config"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

type backupRestore struct {
	File        string   `arg:"" help:"The backup."`
	Into        string   `required:"" placeholder:"DIR" help:"The journal's folder. It is made if it is not there."`
	Config      string   `short:"c" placeholder:"FILE" help:"The configuration of this computer: its destinations are asked what they hold. Where it is not there, that of the backup is put there."`
	Identity    string   `placeholder:"FILE" help:"age's identity (age-keygen) for the secrets in the backup."`
	Key         string   `placeholder:"FILE" help:"The journal's public key, kept elsewhere, to verify the backup with. By default the one in the backup."`
	Known       []string `placeholder:"FILE" help:"A checkpoint of the journal that somebody kept; may be given several times."`
	Replace     bool     `help:"Put a journal aside that has entries which the backup lacks. Its folder is kept under another name."`
	Reason      string   `placeholder:"TEXT" help:"Why the journal is restored. It is recorded; --replace needs it."`
	By          string   `placeholder:"NAME" help:"Who restores it. It is recorded; by default the system's user."`
	ConfirmedBy string   `placeholder:"NAME" help:"A second person who confirms that the signing key is lost, where it is."`
	JSON        bool     `help:"Print one JSON object."`
}

// Help is what the command tells beyond its one line.
func (backupRestore) Help() string {
	return `Verifies the backup and builds a journal of it, as a new incarnation: ids go on under another name, so that none is ever issued
twice. A journal that is in use, or that has entries which the backup lacks, is left alone unless --replace says otherwise;
nothing is ever deleted.

What came after the backup is looked for in the folder that is replaced, in the checkpoints that --known names, and, with
--config, at the destinations. What is known to be missing is printed and recorded. Destinations get what they have again,
with the same ids.

Without --identity, or where the backup has no secrets, it says what must be entered again, and the signing key counts as lost
until two people have said so: weighpost journal replace-key.

The steps on a new computer are in: weighpost help backup`
}

// restored is all that the command has done, as --json prints it.
type restoredFacts struct {
	backup.Restoration
	Backup  string          `json:"backup"`
	Placed  []backup.Placed `json:"placed"`
	Reenter []string        `json:"enter_again"`
	KeyLost string          `json:"key_lost,omitempty"` // what to do about it
}

func (c backupRestore) Run(ctx context.Context, s streams) (err error) {
	b, err := backup.Open(c.File)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	order, secrets, err := c.order(s, b)
	if err != nil {
		return err
	}
	if err := sameOwner(c.Into); err != nil {
		return err
	}
	facts := restoredFacts{Backup: c.File, Placed: []backup.Placed{}, Reenter: b.Reenter(secrets != nil)}
	to := backup.PutBack{ConfigFile: c.Config, Into: c.Into}
	order.Witnesses = func() ([]backup.Witness, error) {
		// The destinations may need the configuration and the secrets.
		placed, err := to.Configuration(b)
		facts.Placed = append(append(facts.Placed, placed...), to.Secrets(secrets, false)...)
		if err != nil {
			return nil, err
		}
		return c.witnesses(b.Manifest().Site)
	}
	if todo := config.WithoutAccounts(facts.Reenter); todo != "" {
		facts.Reenter = append(facts.Reenter, todo)
	}
	if facts.Restoration, err = b.Restore(ctx, order); err != nil {
		return err
	}
	facts.Placed = append(facts.Placed, to.Secrets(secrets, true)...)
	if !facts.KeyVouched {
		facts.KeyLost = "the key that signed the checkpoints before is lost to this journal, and nothing vouches for the new one until two people do: " +
			"weighpost journal replace-key --config FILE --reason TEXT --by NAME --confirmed-by NAME"
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(facts)
	}
	_, err = io.WriteString(s.out, facts.text())
	return err
}

// order reads what the flags name.
func (c backupRestore) order(s streams, b *backup.File) (o backup.RestoreOrder, secrets []backup.Secret, err error) {
	o = backup.RestoreOrder{
		Into: c.Into, Replace: c.Replace, Reason: c.Reason, By: hostActor(""), Stamp: clock.System{}.Stamp(time.Now()), Progress: progress(s),
	}
	if c.By != "" {
		o.By = saidBy(c.By)
	}
	if c.ConfirmedBy != "" {
		if o.By.ID == c.ConfirmedBy || c.By == "" {
			return o, nil, errors.New("--confirmed-by names a second person: name the first with --by, and another here")
		}
		second := saidBy(c.ConfirmedBy)
		o.ConfirmedBy = &second
	}
	if c.Key != "" {
		text, err := readSmall(c.Key)
		if err != nil {
			return o, nil, fmt.Errorf("the public key cannot be read: %w", err)
		}
		if _, err := proof.ParseKey(string(text)); err != nil {
			return o, nil, fmt.Errorf("%s: %w", c.Key, err)
		}
		o.Key = string(text)
	}
	for _, name := range c.Known {
		note, err := readSmall(name)
		if err != nil {
			return o, nil, fmt.Errorf("the checkpoint cannot be read: %w", err)
		}
		o.Known = append(o.Known, backup.KnownCheckpoint{Where: filepath.Base(name), Note: note})
	}
	if c.Identity == "" {
		return o, nil, nil
	}
	if secrets, err = c.secrets(b); err != nil {
		return o, nil, err
	}
	for _, one := range secrets {
		if one.Name == backup.SigningKey {
			o.SigningKey = string(one.Text)
		}
	}
	return o, secrets, nil
}

// secrets reads the encrypted part.
func (c backupRestore) secrets(b *backup.File) ([]backup.Secret, error) {
	f, err := os.Open(c.Identity)
	if err != nil {
		return nil, fmt.Errorf("the identity cannot be read: %w", err)
	}
	defer f.Close()
	var identities []age.Identity
	if identities, err = backup.ParseIdentities(f); err != nil {
		return nil, fmt.Errorf("%s: %w", c.Identity, err)
	}
	if !b.HasSecrets() {
		return nil, errors.New("this backup holds no secrets, because no recipient was configured when it was made: restore it without --identity")
	}
	return b.Secrets(identities...)
}

// witnesses are the destinations of the configuration.
func (c backupRestore) witnesses(site string) ([]backup.Witness, error) {
	if c.Config == "" {
		return nil, nil
	}
	cfg, err := config.LoadFile(c.Config)
	if err != nil {
		return nil, fmt.Errorf("the configuration %s has mistakes (weighpost validate config tells them), so that its destinations cannot be "+
			"asked. Mend it, or restore without --config: %w", c.Config, err)
	}
	return gateway.Witnesses(cfg, site), nil
}

// readSmall reads a key or a checkpoint.
func readSmall(name string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, 64<<10))
}

// mostIDsShown is how many ids are printed.
const mostIDsShown = 20

// text tells what was done.
func (r restoredFacts) text() string {
	var b strings.Builder
	line := func(name, format string, args ...any) {
		fmt.Fprintf(&b, "%-15s %s\n", name, plain(fmt.Sprintf(format, args...)))
	}
	line("restored", "%s, from %s", r.Origin, r.Backup)
	line("in", "%s", r.Into)
	if r.Kept != "" {
		line("put aside", "%s: what was there before; nothing of it was changed", r.Kept)
	}
	line("entries", "%d of incarnation %s from the backup, %d with those that tell of the restore", r.Entries, r.Predecessor, r.Head)
	key := r.PublicKey
	if v, err := proof.ParseKey(key); err == nil {
		key = proof.KeyID(v)
	}
	line("key", "%s; the key before it %s", key, map[bool]string{true: "vouches for it", false: "is lost"}[r.KeyVouched])
	if r.Files > 0 {
		line("files", "%d of certificates, each as its hash in the entries says", r.Files)
	}
	name := "learnt from"
	for _, l := range r.Learnt {
		line(name, "%s", learntText(l))
		name = ""
	}
	r.missingText(line)
	name = "put back"
	for _, p := range r.Placed {
		line(name, "%s", placedText(p))
		name = ""
	}
	name = "to do"
	for _, todo := range slices.Concat(r.Reenter, r.FilesAbsent, []string{r.KeyLost}) {
		if todo != "" {
			line(name, "%s", todo)
			name = ""
		}
	}
	return b.String()
}

func learntText(l record.LearntHead) string {
	text := l.Where + ":"
	if l.Entries > 0 {
		text += fmt.Sprintf(" %d entries", l.Entries)
	}
	if l.Delivered > 0 {
		text += fmt.Sprintf(" at the least, %d of them there and not in the backup", l.Delivered)
	}
	if l.Why != "" {
		text += " (" + l.Why + ")"
	} else if l.Entries == 0 && l.Delivered == 0 {
		text += " nothing beyond the backup"
	}
	return text
}

func placedText(p backup.Placed) string {
	switch {
	case p.Path == "":
		return fmt.Sprintf("not %s, which was %s: %s", p.What, p.Was, p.Why)
	case p.Was != "":
		return fmt.Sprintf("%s: %s; it was %s: move it, or change the configuration", p.What, p.Path, p.Was)
	}
	return p.What + ": " + p.Path
}

// missingText tells what is known to be lost.
func (r restoredFacts) missingText(line func(name, format string, args ...any)) {
	m := r.Missing
	if m == nil {
		line("known missing", "nothing: no place that was asked knows of more than the backup holds")
		return
	}
	line("known missing", "entries %d to %d of incarnation %s; destinations hold %d of them:", m.First, m.Last, r.Predecessor, m.Delivered)
	for i, id := range m.IDs {
		if i == mostIDsShown {
			line("", "and %d more: weighpost journal list %s --kind restored --json tells them", m.Delivered-mostIDsShown, r.Into)
			break
		}
		line("", "%s", id)
	}
}
