package config

import (
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"

	vault "weighpost/gateway/access/secret"
	"weighpost/gateway/backup"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// checkBackup adds what only the whole tells of backups: which sinks there are, and where the journal is.
func (c *Config) checkBackup(r *strict.Report, folder string) {
	c.Backup.Check(r)
	c.checkKeepers(r.At("sinks"), c.Backup.Sinks)
	whole := backup.Config{Folder: beside(folder, c.Backup.Folder)}
	if whole.Within(beside(folder, c.Journal.Folder)) {
		r.At("folder").Fault("lies within the journal's folder: whatever takes one takes the other", "a folder elsewhere, best on another disk")
	}
}

// checkKeepers holds ids of sinks that are to keep whole files against the sinks that there are.
func (c *Config) checkKeepers(r *strict.Report, ids []string) {
	for i, id := range ids {
		kind := ""
		for _, s := range c.Sinks {
			if s.Delivery.ID == id {
				kind = s.Kind
			}
		}
		switch kind {
		case "files", "smb", "sftp":
		case "":
			r.Index(i).Fault(fmt.Sprintf("%.40q is the id of no sink", id), "the id of a sink of the kind files, smb or sftp")
		default:
			r.Index(i).Fault(fmt.Sprintf("the sink %s is of the kind %s, which keeps no files", id, kind), "the id of a sink of the kind files, smb or sftp")
		}
	}
}

// BackupFiles gives the configuration and the layouts that it names, as the files stand now, for a backup. They hold no
// secrets: those are named by file: or env:. notHeld tells, a sentence each, of those that cannot be read.
func (c *Config) BackupFiles() (files []backup.ConfigFile, notHeld []string) {
	if c.file == "" {
		return nil, nil
	}
	names, seen := []string{filepath.Base(c.file)}, map[string]bool{}
	for i := range c.Balances {
		if name := c.Balances[i].Layout; name != "" && !seen[name] {
			names, seen[name] = append(names, name), true
		}
	}
	for _, name := range names {
		text, err := ReadFile(beside(filepath.Dir(c.file), name))
		if err != nil {
			notHeld = append(notHeld, fmt.Sprintf("must be entered again: the file %s of the configuration, which could not be read for the backup (%v)", name, err))
			continue
		}
		files = append(files, backup.ConfigFile{From: name, Text: text})
	}
	return files, notHeld
}

// AccessSecrets names in a backup the file with the hashes of people's and programs' secrets.
const AccessSecrets = "access/secrets"

const accessWords = "the hashes of people's and programs' secrets"

// WithoutAccounts says what to do where a restored journal has accounts and no secrets of theirs, "" where that is not so. again is
// what has to be entered again.
func WithoutAccounts(again []string) string {
	if !slices.ContainsFunc(again, func(s string) bool { return strings.Contains(s, accessWords) }) {
		return ""
	}
	return "accounts and rights are there, and nobody can sign in with a secret or a PIN, and no key is good, until it is set anew: weighpost people reset-secret ID " +
		"and weighpost people set-pin ID for each person, on this computer, beginning with one who looks after accounts (weighpost people list tells " +
		"them); weighpost keys revoke ID and weighpost keys make NEW-ID for each program. Where there is no account at all, the first start makes a set-up token"
}

// mostSecret is how long a secret's file may be, in bytes.
const mostSecret = 1 << 20

// BackupSecrets gives the secrets that the daemon needs, read from their files: the journal's key, the page's token, and what
// the configuration names by file:. notHeld tells, a sentence each, what can go into no backup: variables of the environment,
// and files that cannot be read.
func (c *Config) BackupSecrets() (secrets []backup.Secret, notHeld []string) {
	add := func(name, what, path string) {
		text, err := readFile(path)
		if err != nil {
			notHeld = append(notHeld, fmt.Sprintf("must be entered again: %s, which could not be read for the backup (%v)", what, err))
			return
		}
		secrets = append(secrets, backup.Secret{Name: name, What: what, From: path, Text: text})
	}
	add(backup.SigningKey, "the signing key of the journal", filepath.Join(c.Journal.Folder, "key"))
	add("page/token", "the token for requests over HTTP", c.TokenFile())
	if path := filepath.Join(c.Journal.Folder, vault.FileName); exists(path) { // there is none before the first account
		add(AccessSecrets, accessWords, path)
	}
	if key := c.Page.TLS.Key; key != "" {
		add("page/key", "the key of the page's certificate", key)
	}
	for i, s := range c.namedSecrets() {
		path, isFile := strings.CutPrefix(s.ref, "file:")
		if isFile {
			add(fmt.Sprintf("file/%03d", i+1), s.key, path)
		} else {
			notHeld = append(notHeld, fmt.Sprintf("must be entered again: %s (%s)", s.key, s.ref))
		}
	}
	return secrets, notHeld
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

func readFile(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err == nil && !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no plain file", path)
	}
	if err != nil {
		return nil, err
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, mostSecret+1))
	if err == nil && len(text) > mostSecret {
		err = fmt.Errorf("%s is longer than %d bytes", path, mostSecret)
	}
	return text, err
}

// namedSecret is a secret that the configuration names: where in the configuration, and where it is.
type namedSecret struct{ key, ref string }

// privateKey is a part of a configuration that names files with private keys of its own, by the key under which it does.
type privateKey interface{ PrivateKeys() map[string]string }

// namedSecrets walks over the whole configuration: a kind of sink that comes later needs nothing for it.
func (c *Config) namedSecrets() []namedSecret {
	var list []namedSecret
	var walk func(v reflect.Value, path string)
	walk = func(v reflect.Value, path string) {
		if v.CanInterface() {
			if s, ok := v.Interface().(strict.Secret); ok {
				if ref, _ := s.MarshalText(); len(ref) > 0 {
					list = append(list, namedSecret{path, string(ref)})
				}
				return
			}
			if p, ok := v.Interface().(privateKey); ok && v.Kind() == reflect.Pointer && !v.IsNil() {
				keys := p.PrivateKeys()
				for _, key := range slices.Sorted(maps.Keys(keys)) {
					list = append(list, namedSecret{path + "." + key, "file:" + keys[key]})
				}
			}
		}
		switch v.Kind() {
		case reflect.Pointer, reflect.Interface:
			if !v.IsNil() {
				walk(v.Elem(), path)
			}
		case reflect.Slice:
			for i := range v.Len() {
				walk(v.Index(i), path+"["+strconv.Itoa(i)+"]")
			}
		case reflect.Struct:
			for i := range v.NumField() {
				f := v.Type().Field(i)
				if !f.IsExported() {
					continue
				}
				key, _, _ := strings.Cut(f.Tag.Get("yaml"), ",")
				if key == "" {
					walk(v.Field(i), path) // beside its neighbours in the file
				} else {
					walk(v.Field(i), strings.TrimPrefix(path+"."+key, "."))
				}
			}
		}
	}
	walk(reflect.ValueOf(c), "")
	return list
}

// BackupJob is the part of a job that the configuration tells: what goes into a backup of a journal, and how many are kept.
// Sinks, Stamp, Record and Trouble are the caller's. The files are read as they stand now.
func (c *Config) BackupJob(j backup.Source, software record.Software) (*backup.Job, error) {
	public, err := os.ReadFile(filepath.Join(c.Journal.Folder, "key.pub"))
	if err != nil {
		return nil, fmt.Errorf("the journal's public key cannot be read for the backup: %w", err)
	}
	files, unread := c.BackupFiles()
	secrets, notHeld := c.BackupSecrets()
	full := c.Backup.WithDefaults() // whoever is told of a folder may be at home in another one
	if full.Folder != "" {
		if full.Folder, err = filepath.Abs(full.Folder); err != nil {
			return nil, err
		}
	}
	spool, err := filepath.Abs(filepath.Join(c.Journal.Folder, "spool"))
	if err != nil {
		return nil, err
	}
	return &backup.Job{
		Config: full, Site: c.Site, Spool: spool,
		Order: backup.Order{Journal: j, PublicKey: public, Software: software, Config: files, Secrets: secrets,
			Kept: filepath.Join(c.Journal.Folder, backup.KeptFolder), Recipients: c.Backup.Recipients, NotHeld: append(unread, notHeld...)},
	}, nil
}

// BackupStores opens the sinks that get copies of backups, where no daemon has them open. end closes them.
func (c *Config) BackupStores() (shelves []backup.Shelf, end func(), err error) {
	var opened []sinks.Sink
	end = func() {
		for _, s := range opened {
			_ = s.Close() // nothing was delivered
		}
	}
	for i := range c.Sinks {
		s := &c.Sinks[i]
		if !slices.Contains(c.Backup.Sinks, s.Delivery.ID) {
			continue
		}
		sink, err := s.Open(sinks.Env{Site: c.Site})
		if err != nil {
			end()
			return nil, nil, fmt.Errorf("sink %s: %w", s.Delivery.ID, err)
		}
		opened = append(opened, sink)
		if store, ok := sink.(sinks.Storer); ok {
			shelves = append(shelves, backup.InSink(s.Delivery.ID, store))
		}
	}
	return shelves, end, nil
}
