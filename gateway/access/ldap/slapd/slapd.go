// Package slapd starts a real slapd (OpenLDAP) for tests: on free loopback ports, with a throw-away configuration and data,
// to be stopped, killed, frozen and started again at will. Other test packages import it; no program does.
//
//	dir := slapd.Start(t, slapd.Options{})
//	dir.Add(t, slapd.Lab)
//	dir.Kill(t); dir.Start(t) // keeps ports and data
//
// Nobody may search without having bound. Without the program slapd the test is skipped, unless WEIGHPOST_SERVERS=all: then it
// fails.
package slapd

import (
	"bytes"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/needs"
)

// What every directory here has.
const (
	Suffix        = "dc=seed-bank,dc=example"
	Admin         = "cn=admin," + Suffix
	AdminSecret   = "admin-secret-of-tests"
	Service       = "cn=weighpost,ou=services," + Suffix
	ServiceSecret = "service-secret-of-tests"
	People        = "ou=people," + Suffix
	Groups        = "ou=groups," + Suffix
)

// Options says how the directory is set up. The zero value speaks without TLS only.
type Options struct {
	TLS *Certificates // with it there is StartTLS, and a second port that speaks TLS from the first byte
	// Certificate and Key are shown instead of those of TLS.
	Certificate, Key string
	// Careless lets a bind with an empty secret pass as nobody's, and nobody search, as some directories do
	// (RFC 4513 sections 5.1.2 and 6.3.1).
	Careless bool
	Extra    string // further lines of slapd.conf(5) for the database
}

// Directory is one slapd, running or not.
type Directory struct {
	plain, secure int
	dir           string
	binary        string
	tls           bool

	mu     sync.Mutex
	cmd    *exec.Cmd
	exited chan struct{} // closed when the process has been waited for
	log    bytes.Buffer
}

// limit is how long a start or a stop may take before the test fails.
const limit = 30 * time.Second

// Start starts a directory that holds the frame (suffix, units, the account that looks people up) and no people, and has it
// stopped when the test ends.
func Start(t testing.TB, o Options) *Directory {
	t.Helper()
	d := &Directory{binary: find(t, places), dir: t.TempDir(), plain: freePort(t), secure: freePort(t), tls: o.TLS != nil}
	needs.Programs(t, "ldapmodify")
	if err := os.Mkdir(filepath.Join(d.dir, "data"), 0o700); err != nil {
		t.Fatal(err)
	}
	d.Configure(t, o)
	t.Cleanup(d.cleanUp)
	d.Start(t)
	d.Add(t, frame)
	return d
}

// places are where the program is looked for: distributions put it where only root has a PATH to.
var places = []string{"slapd", "/usr/sbin/slapd", "/usr/local/libexec/slapd"}

// find gives the path of the program, or skips or fails the test.
func find(t testing.TB, places []string) string {
	t.Helper()
	for _, name := range places {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	needs.That(t, false, "the program slapd")
	return ""
}

func freePort(t testing.TB) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// head of slapd.conf(5). The attributes at its end are made up for tests, below the arc of examples (RFC 4520 does not set one
// aside; 1.3.6.1.4.1.99999 belongs to nobody here), but for objectGUID, whose number is the usual one.
const head = `include /etc/ldap/schema/core.schema
include /etc/ldap/schema/cosine.schema
include /etc/ldap/schema/nis.schema
include /etc/ldap/schema/inetorgperson.schema
attributetype ( 1.2.840.113556.1.4.2 NAME 'objectGUID' EQUALITY octetStringMatch SYNTAX 1.3.6.1.4.1.1466.115.121.1.40 SINGLE-VALUE )
attributetype ( 1.3.6.1.4.1.99999.1.1 NAME 'accountFlags' EQUALITY integerMatch SYNTAX 1.3.6.1.4.1.1466.115.121.1.27 SINGLE-VALUE )
attributetype ( 1.3.6.1.4.1.99999.1.2 NAME 'accountEnds' EQUALITY generalizedTimeMatch SYNTAX 1.3.6.1.4.1.1466.115.121.1.24 SINGLE-VALUE )
attributetype ( 1.3.6.1.4.1.99999.1.3 NAME 'accountTicks' EQUALITY integerMatch SYNTAX 1.3.6.1.4.1.1466.115.121.1.27 SINGLE-VALUE )
objectclass ( 1.3.6.1.4.1.99999.2.1 NAME 'testAccount' SUP top AUXILIARY MAY ( objectGUID $ accountFlags $ accountEnds $ accountTicks ) )
modulepath /usr/lib/ldap
moduleload back_mdb
moduleload memberof
moduleload ppolicy
sizelimit 2000
`

const database = `database mdb
suffix "` + Suffix + `"
rootdn "` + Admin + `"
rootpw ` + AdminSecret + `
index objectClass,uid,member,entryUUID eq
access to attrs=userPassword by self write by anonymous auth by * none
access to * by dn.exact="` + Service + `" read by users read by anonymous auth by * none
overlay ppolicy
ppolicy_default "cn=default,ou=policies,` + Suffix + `"
ppolicy_use_lockout
overlay memberof
memberof-group-oc groupOfNames
memberof-member-ad member
memberof-memberof-ad memberOf
`

// frame is what is there before anybody: one policy locks after five failures.
const frame = `dn: ` + Suffix + `
objectClass: dcObject
objectClass: organization
dc: seed-bank
o: Regional seed bank

dn: ou=people,` + Suffix + `
objectClass: organizationalUnit
ou: people

dn: ou=groups,` + Suffix + `
objectClass: organizationalUnit
ou: groups

dn: ou=services,` + Suffix + `
objectClass: organizationalUnit
ou: services

dn: ou=policies,` + Suffix + `
objectClass: organizationalUnit
ou: policies

dn: cn=default,ou=policies,` + Suffix + `
objectClass: device
objectClass: pwdPolicy
cn: default
pwdAttribute: userPassword
pwdLockout: TRUE
pwdMaxFailure: 5
pwdLockoutDuration: 0
pwdMustChange: TRUE

dn: ` + Service + `
objectClass: applicationProcess
objectClass: simpleSecurityObject
cn: weighpost
userPassword: ` + ServiceSecret + `
`

// Configure writes slapd.conf(5). It takes effect at the next Start; ports and data stay.
func (d *Directory) Configure(t testing.TB, o Options) {
	t.Helper()
	var c strings.Builder
	c.WriteString(head)
	if o.Careless {
		c.WriteString("allow bind_anon_cred bind_anon_dn\n")
	} else {
		c.WriteString("disallow bind_anon\n")
	}
	fmt.Fprintf(&c, "pidfile %s\n", filepath.Join(d.dir, "pid"))
	if o.TLS != nil {
		certificate, key := o.TLS.Certificate, o.TLS.Key
		if o.Certificate != "" {
			certificate, key = o.Certificate, o.Key
		}
		fmt.Fprintf(&c, "TLSCACertificateFile %s\nTLSCertificateFile %s\nTLSCertificateKeyFile %s\n", o.TLS.CAFile, certificate, key)
	}
	c.WriteString(database)
	fmt.Fprintf(&c, "directory %s\n%s\n", filepath.Join(d.dir, "data"), o.Extra)
	if err := os.WriteFile(d.conf(), []byte(c.String()), 0o600); err != nil {
		t.Fatal(err)
	}
}

func (d *Directory) conf() string { return filepath.Join(d.dir, "slapd.conf") }

// Addr is where it speaks without TLS, or with StartTLS: host:port. It stays the same over restarts.
func (d *Directory) Addr() string { return fmt.Sprintf("127.0.0.1:%d", d.plain) }

// SecureAddr is where it speaks TLS from the first byte.
func (d *Directory) SecureAddr() string { return fmt.Sprintf("127.0.0.1:%d", d.secure) }

// URL is the address without TLS.
func (d *Directory) URL() string { return "ldap://" + d.Addr() }

// SecureURL is the address with TLS.
func (d *Directory) SecureURL() string { return "ldaps://" + d.SecureAddr() }

// Start starts the directory, again after a Stop or a Kill, and returns when it accepts connections.
func (d *Directory) Start(t testing.TB) {
	t.Helper()
	listen := d.URL()
	if d.tls {
		listen += " " + d.SecureURL()
	}
	cmd := exec.Command(d.binary, "-d", "stats", "-f", d.conf(), "-h", listen)
	cmd.Stderr = &logWriter{d}
	if err := cmd.Start(); err != nil {
		t.Fatalf("slapd cannot be started: %v", err)
	}
	exited := make(chan struct{})
	go func() {
		defer close(exited)
		_ = cmd.Wait() // a signal is how it is meant to end
	}()
	d.mu.Lock()
	d.cmd, d.exited = cmd, exited
	d.mu.Unlock()
	for end := time.Now().Add(limit); ; {
		if c, err := net.DialTimeout("tcp", d.Addr(), time.Second); err == nil {
			c.Close()
			return
		}
		select {
		case <-exited:
			t.Fatalf("slapd ended at once:\n%s", d.Log())
		case <-time.After(5 * time.Millisecond):
		}
		if time.Now().After(end) {
			t.Fatalf("slapd did not listen within %s:\n%s", limit, d.Log())
		}
	}
}

// Modify has the administrator carry out LDIF (RFC 2849) with ldapmodify(1). A record without a changetype is added.
func (d *Directory) Modify(t testing.TB, ldif string) {
	t.Helper()
	cmd := exec.Command("ldapmodify", "-a", "-x", "-H", d.URL(), "-D", Admin, "-w", AdminSecret)
	cmd.Env = append(os.Environ(), "LDAPNOINIT=1")
	cmd.Stdin = strings.NewReader(ldif)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("ldapmodify: %v: %s\n%s", err, out, ldif)
	}
}

// Add has the administrator add entries.
func (d *Directory) Add(t testing.TB, ldif string) { t.Helper(); d.Modify(t, ldif) }

// Ask runs ldapsearch(1) as the account that looks people up, and gives what it printed.
func (d *Directory) Ask(t testing.TB, base, scope, filter string, attributes ...string) string {
	t.Helper()
	needs.Programs(t, "ldapsearch")
	args := []string{"-x", "-LLL", "-o", "ldif-wrap=no", "-H", d.URL(), "-D", Service, "-w", ServiceSecret, "-b", base, "-s", scope, filter}
	cmd := exec.Command("ldapsearch", append(args, attributes...)...)
	cmd.Env = append(os.Environ(), "LDAPNOINIT=1")
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("ldapsearch: %v: %s", err, out)
	}
	return string(out)
}

// WhoAmI runs ldapwhoami(1) (RFC 4532) as somebody, and gives what it printed and whether that went well.
func (d *Directory) WhoAmI(t testing.TB, dn, secret string) (string, bool) {
	t.Helper()
	needs.Programs(t, "ldapwhoami")
	cmd := exec.Command("ldapwhoami", "-x", "-e", "ppolicy", "-H", d.URL(), "-D", dn, "-w", secret)
	cmd.Env = append(os.Environ(), "LDAPNOINIT=1")
	out, err := cmd.CombinedOutput()
	return string(out), err == nil
}

// Stop asks the directory to end, and waits for that.
func (d *Directory) Stop(t testing.TB) {
	t.Helper()
	d.end(t, terminate)
}

// Kill ends the directory at once.
func (d *Directory) Kill(t testing.TB) {
	t.Helper()
	d.end(t, func(p *os.Process) error { return p.Kill() })
}

func (d *Directory) end(t testing.TB, signal func(*os.Process) error) {
	t.Helper()
	cmd, exited := d.process()
	if err := signal(cmd.Process); err != nil && !errors.Is(err, os.ErrProcessDone) {
		t.Fatalf("slapd (process %d) cannot be ended: %v", cmd.Process.Pid, err)
	}
	select {
	case <-exited:
	case <-time.After(limit):
		t.Fatalf("slapd (process %d) did not end within %s", cmd.Process.Pid, limit)
	}
}

// Freeze stops the directory in its tracks: connections stay open and nothing answers. Thaw lets it go on.
func (d *Directory) Freeze(t testing.TB) {
	t.Helper()
	cmd, _ := d.process()
	if err := freeze(cmd.Process); err != nil {
		t.Fatalf("slapd (process %d) cannot be frozen: %v", cmd.Process.Pid, err)
	}
	for end := time.Now().Add(limit); !frozen(cmd.Process.Pid); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("slapd (process %d) did not freeze", cmd.Process.Pid)
		}
	}
}

// frozen says whether every thread of a process stands still, as proc(5) has it; where there is no such thing it is taken to.
func frozen(pid int) bool {
	threads, _ := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/stat", pid))
	for _, name := range threads {
		stat, err := os.ReadFile(name)
		if i := bytes.LastIndexByte(stat, ')'); err == nil && !bytes.HasPrefix(stat[i+1:], []byte(" T")) {
			return false
		}
	}
	return true
}

// Thaw ends what Freeze began.
func (d *Directory) Thaw(t testing.TB) {
	t.Helper()
	cmd, _ := d.process()
	if err := thaw(cmd.Process); err != nil {
		t.Fatalf("slapd (process %d) cannot be thawed: %v", cmd.Process.Pid, err)
	}
}

func (d *Directory) process() (*exec.Cmd, <-chan struct{}) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.cmd, d.exited
}

// Log is what the directory has written to its log so far, over all its lives: each connection, bind and search.
func (d *Directory) Log() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.log.String()
}

// cleanUp ends the process, frozen or not.
func (d *Directory) cleanUp() {
	cmd, exited := d.process()
	if cmd == nil || cmd.Process == nil {
		return
	}
	_ = cmd.Process.Kill() // it may have ended already
	<-exited
}

type logWriter struct{ d *Directory }

func (w *logWriter) Write(p []byte) (int, error) {
	w.d.mu.Lock()
	defer w.d.mu.Unlock()
	return w.d.log.Write(p)
}
