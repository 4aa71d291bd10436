package gateway_test

import (
	"bytes"
	"crypto/rand"
	"encoding/pem"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway"
	"weighpost/gateway/central"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
)

// signingKey is a pair of keys of somebody who signs settings.
type signingKey struct {
	signer note.Signer
	public string
}

func newSigningKey(t *testing.T, name string) signingKey {
	t.Helper()
	secret, public, err := note.GenerateKey(rand.Reader, name)
	if err != nil {
		t.Fatal(err)
	}
	signer, err := note.NewSigner(secret)
	if err != nil {
		t.Fatal(err)
	}
	return signingKey{signer, public}
}

// order is a file of central settings that is to be signed.
type signedOrder struct {
	dir      string // of the house
	serial   uint64
	site     string        // "": seed-bank
	until    time.Duration // from now; 0: an hour
	settings string
	layouts  map[string]string
}

func (k signingKey) sign(t *testing.T, o signedOrder, more ...signingKey) []byte {
	t.Helper()
	h := central.Head{Sites: []string{"seed-bank"}, Serial: o.serial, Made: time.Now().Add(-48 * time.Hour), Until: time.Now().Add(time.Hour)}
	if o.site != "" {
		h.Sites = []string{o.site}
	}
	if o.until != 0 {
		h.Until = time.Now().Add(o.until)
	}
	layouts := map[string][]byte{}
	for name, text := range o.layouts {
		layouts[name] = []byte(text)
	}
	b, err := central.Sign(h, []byte(strings.ReplaceAll(o.settings, "DIR", o.dir)), layouts, k.signer)
	for _, m := range more {
		if err == nil {
			b, err = central.Countersign(b, m.signer)
		}
	}
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// trusting is a lab that pulls settings from a place, in which DIR is the folder.
func trusting(from, more string, keys ...signingKey) string {
	var list []string
	for _, k := range keys {
		list = append(list, `"`+k.public+`"`)
	}
	return fmt.Sprintf(`# The seed bank.
site: seed-bank
journal: {folder: journal}
page: {listen: "127.0.0.1:0"}
log: {level: info} # as usual
clock: {ceiling: 1s} # our own
central: {from: %q, keys: [%s]%s}
balances:
- id: b-1
  serial: "0047"
  place: Room 1 # the cold one
  port: {address: DIR/port-1, speed: 115200}
  layout: as.yaml
`, from, strings.Join(list, ", "), more)
}

func (h *house) condition(code string) string {
	for _, c := range h.Conditions() {
		if c.Code == code {
			return c.Sentence
		}
	}
	return ""
}

func (h *house) serial() uint64 {
	if c := h.CentralSettings(); c != nil {
		return c.Serial
	}
	return 0
}

// holdsSerial waits until a file of this serial number was taken, and nothing of it refused.
func (h *house) holdsSerial(t *testing.T, serial uint64) {
	t.Helper()
	defer func() {
		if t.Failed() {
			t.Logf("conditions: %+v", h.Conditions())
		}
	}()
	until(t, func() bool { return h.serial() == serial }, "the settings are not taken")
	until(t, func() bool { return h.condition(health.CentralRefused) == "" }, "what was taken is refused")
}

// settingsServer is an https server of one file, and its authority.
func settingsServer(t *testing.T, dir string) (url, ca string, put func([]byte)) {
	t.Helper()
	var file atomic.Pointer[[]byte]
	server := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		if b := file.Load(); b != nil {
			_, _ = w.Write(*b)
			return
		}
		w.WriteHeader(http.StatusServiceUnavailable)
	}))
	t.Cleanup(server.Close)
	ca = filepath.Join(dir, "settings-ca.pem")
	if err := os.WriteFile(ca, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: server.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	return server.URL + "/seed-bank.settings", ca, func(b []byte) {
		if b == nil {
			file.Store(nil)
			return
		}
		file.Store(&b)
	}
}

// centralOne is what a first file sets, in which DIR is the folder of the house.
const centralOne = `log: {level: debug}
samples: {unknown: ask}
balances:
- id: b-1
  serial: "0047"
  place: Room 2
  port: {address: DIR/port-1, speed: 115200}
  layout: layouts/theirs.yaml
`

// TestSignedSettingsArePulledAndHold: over https, as one entry with old and new and whoever signed; the file keeps its remarks; what they set is not
// changed here, and comes back when it was changed on the host; what they do not set stays the lab's own; cut off, and started again, what was
// taken last holds, and an older file is never taken.
func TestSignedSettingsArePulledAndHold(t *testing.T) {
	h, ada := newHouse(t, "port-1"), newSigningKey(t, "seed-bank-ada")
	url, _, put := settingsServer(t, h.dir)
	text := trusting(url, ", ca_file: settings-ca.pem", ada)
	h.start(t, text)
	until(t, func() bool { return strings.Contains(h.condition(health.CentralUnreached), "503 Service Unavailable") }, "it is not said that nothing can be had")
	first := ada.sign(t, signedOrder{dir: h.dir, serial: 1, settings: centralOne, layouts: map[string]string{"layouts/theirs.yaml": alsoLine}})
	put(first)
	h.PullNow()
	h.holdsSerial(t, 1)
	if h.condition(health.CentralUnreached) != "" || h.Balances()[0].Place != "Room 2" || h.Config().Log.Level != "debug" || h.Config().Layout("b-1").Text() != alsoLine {
		t.Errorf("%+v", h.Balances()[0])
	}
	if now := h.read(t); !strings.Contains(now, "# The seed bank.") || !strings.Contains(now, "clock: {ceiling: 1s} # our own") || !strings.Contains(now, "Room 2") || strings.Contains(now, "as.yaml") {
		t.Errorf("the file says\n%s", now)
	}

	it := keeper(t, "ada")
	for _, change := range []string{`{"log": {"level": "warn"}}`, `{"log": null}`, `{"log": {"level": "warn"}, "clock": {"ceiling": "2s"}}`} {
		if _, err := h.patch(it, t, change); !errors.As(err, new(*console.SettingsConflict)) || !strings.Contains(err.Error(), "log: set by the central settings (serial number 1, signed by seed-bank-ada+") {
			t.Errorf("%s: %v", change, err)
		}
	}
	if _, err := h.patch(it, t, `{"central": null}`); err == nil {
		t.Error("whose signature counts is changed through the API")
	}
	if a, err := h.patch(it, t, `{"clock": {"ceiling": "2s"}}`); err != nil || a.Outcome != console.SettingsHold {
		t.Errorf("what is the lab's own cannot be changed: %+v %v", a, err)
	}
	if err := h.reload(t, strings.Replace(h.read(t), "Room 2", "Room 9", 1)); err != nil { // a pull follows by itself
		t.Fatal(err)
	}
	until(t, func() bool { return h.Balances()[0].Place == "Room 2" && strings.Contains(h.read(t), "Room 2") }, "what was changed on the host is not put back")

	put(ada.sign(t, signedOrder{serial: 7, settings: "log: {level: warn}\nsinks: []\n"}))
	h.PullNow()
	h.holdsSerial(t, 7)
	if h.Config().Log.Level != "warn" || h.Balances()[0].Place != "Room 2" || h.Config().Clock.Ceiling.D() != 2*time.Second {
		t.Errorf("%+v %+v", h.Config().Log, h.Balances()[0])
	}
	put(nil)
	h.again(t)
	until(t, func() bool { return h.condition(health.CentralUnreached) != "" }, "it is not said that nothing can be had")
	if h.serial() != 7 || h.Config().Log.Level != "warn" {
		t.Errorf("after a start without the server: %d, %+v", h.serial(), h.Config().Log)
	}
	if _, err := h.patch(it, t, `{"log": {"level": "info"}}`); err == nil {
		t.Error("cut off, what they set can be changed here")
	}
	put(first)
	h.PullNow()
	until(t, func() bool {
		return strings.Contains(h.condition(health.CentralRefused), "its serial number is 1, and 7 was taken already")
	}, "an older file is not refused after a start")
	if h.serial() != 7 || h.Config().Log.Level != "warn" {
		t.Error("an older file was taken")
	}
	h.stop(t)
	var told []string
	for _, c := range all[record.Configured](t, h, record.KindConfigured) {
		if c.By.By == record.ActorSigned {
			told = append(told, fmt.Sprintf("%s %s %s|%s", strings.Split(c.By.ID, "+")[0], c.By.Where, c.Reason, strings.Join(c.Changes, "; ")))
		}
	}
	if len(told) != 4 || !strings.HasPrefix(told[0], "seed-bank-ada "+url+" central settings with the serial number 1|") || !strings.Contains(told[0], `place was changed from "Room 1" to "Room 2"`) ||
		!strings.Contains(told[1], `place was changed from "Room 9" to "Room 2"`) || !strings.Contains(told[2], "serial number 7") {
		t.Errorf("%d entries:\n%s", len(told), strings.Join(told, "\n"))
	}
}

// TestAttacksOnSignedSettingsAreRefused: each by its sentence and a condition, the first of them by an entry each; nothing is changed by any.
func TestAttacksOnSignedSettingsAreRefused(t *testing.T) {
	h, ada, mallory := newHouse(t, "port-1"), newSigningKey(t, "seed-bank-ada"), newSigningKey(t, "seed-bank-ada")
	place := filepath.Join(h.dir, "site.settings")
	good := signedOrder{serial: 5, settings: "log: {level: warn}\n"}
	if err := os.WriteFile(place, ada.sign(t, good), 0o600); err != nil {
		t.Fatal(err)
	}
	h.write(t, "stolen", "the secret of another program")
	h.start(t, trusting("site.settings", "", ada))
	h.holdsSerial(t, 5)
	set := func(settings string) []byte {
		return ada.sign(t, signedOrder{dir: h.dir, serial: 6, settings: settings})
	}
	attacks := []struct {
		name string
		file []byte
		want string
	}{
		{"unsigned", []byte("log: {level: error}\n"), "it is no file of signed settings"},
		{"another's key of the same name", mallory.sign(t, signedOrder{serial: 6, settings: "log: {level: error}\n"}), "signed by none of the keys that are trusted here"},
		{"altered by one byte", bytes.Replace(set("log: {level: error}\n"), []byte("error"), []byte("errof"), 1), "its contents are not those that were signed"},
		{"its serial number altered", bytes.Replace(ada.sign(t, signedOrder{serial: 4, settings: "log: {level: error}\n"}), []byte("serial 4"), []byte("serial 6"), 1), "changed after it was signed"},
		{"of another site", ada.sign(t, signedOrder{serial: 6, site: "north-lab", settings: "log: {level: error}\n"}), "it is for the site north-lab, and this is seed-bank"},
		{"older", ada.sign(t, signedOrder{serial: 4, settings: "log: {level: error}\n"}), "its serial number is 4, and 5 was taken already"},
		{"another under the same serial number", ada.sign(t, signedOrder{serial: 5, settings: "log: {level: error}\n"}), "under which something else was taken already"},
		{"expired", ada.sign(t, signedOrder{serial: 6, until: -time.Minute, settings: "log: {level: error}\n"}), "which is over"},
		{"too large", append(set("log: {level: error}\n"), make([]byte, central.MaxSize)...), "larger than"},
		{"the site's name", set("site: mine\nlog: {level: error}\n"), "site: belongs to each gateway"},
		{"its journal", set("journal: {folder: /tmp}\n"), "journal: belongs to each gateway"},
		{"its page", set("page: {listen: \"0.0.0.0:80\"}\n"), "page: belongs to each gateway"},
		{"whose signature counts", set(strings.Replace("central: {from: /a, keys: [K]}\n", "K", mallory.public, 1)), "central: belongs to each gateway"},
		{"a secret in plain", set("sinks:\n- {id: a, kind: http, url: \"https://example.org/\", bearer: hunter2}\n"), "sinks[0].bearer"},
		{"a file of the host as a password", set("sinks:\n- {id: a, kind: http, url: \"https://example.org/\", bearer: \"file:" + h.dir + "/stolen\"}\n"), "names a secret that is not in use"},
		{"a folder of the host", set("backup: {folder: /etc/backups}\n"), "names a file or a folder of weighpost's own computer"},
		{"not valid", set("log: {level: loud}\n"), "log.level"},
		{"an unknown key", set("logg: {level: error}\n"), "logg"},
		{"nothing", set("{}\n"), "sets nothing"},
		{"a layout that nobody names", ada.sign(t, signedOrder{serial: 6, settings: "log: {level: error}\n", layouts: map[string]string{"layouts/a.yaml": asLine}}), "no balance names it"},
		{"a layout with mistakes", ada.sign(t, signedOrder{dir: h.dir, serial: 6, settings: strings.Replace(centralOne, "theirs", "bad", 1), layouts: map[string]string{"layouts/bad.yaml": "line: \"{what}\"\n"}}), "what"},
		{"does not fit the rest", set("balances:\n- {id: b-1, port: {address: DIR/port-1}, layout: layouts/none.yaml}\n"), "layout"},
		{"does not start", set(strings.NewReplacer("layouts/theirs.yaml", "as.yaml", "0047", "0048").Replace(centralOne)), `belongs to the balance with the serial number "0047"`},
	}
	_, hash := h.Settings()
	text := h.read(t)
	for _, a := range attacks {
		if err := os.WriteFile(place, a.file, 0o600); err != nil {
			t.Fatal(err)
		}
		h.PullNow()
		said := ""
		until(t, func() bool { said = h.condition(health.CentralRefused); return strings.Contains(said, a.want) }, a.name+": it is not refused so")
		files, _ := filepath.Glob(filepath.Join(h.dir, "layouts", "*"))
		if _, now := h.Settings(); now != hash || h.read(t) != text || h.serial() != 5 || len(files) > 0 || !strings.Contains(said, "goes on by what was taken last, serial number 5") {
			t.Errorf("%s: something has changed: %s, serial number %d, %v\n%s", a.name, said, h.serial(), files, h.read(t))
		}
		t.Logf("%s: %s", a.name, said)
	}
	if err := os.WriteFile(place, ada.sign(t, good), 0o600); err != nil { // the same words anew: another end, another signature
		t.Fatal(err)
	}
	h.PullNow()
	until(t, func() bool { return h.condition(health.CentralRefused) == "" }, "what holds is refused")
	h.stop(t)
	var refused []record.Configured
	for _, c := range all[record.Configured](t, h, record.KindConfigured) {
		if c.Refused != "" {
			refused = append(refused, c)
		}
	}
	if len(refused) != 5 { // of so many attacks within an hour
		t.Fatalf("%d entries tell of refused files", len(refused))
	}
	for i, c := range refused {
		if !strings.Contains(c.Refused, attacks[i].want) || c.From != c.To || c.By.By == record.ActorSigned != (attacks[i].name == "of another site") {
			t.Errorf("%s: %+v by %+v", attacks[i].name, c.Refused, c.By)
		}
	}
}

// TestTwoKeysAreTwoPeople: under a policy that takes two people for a change, one signature is refused, and two hold; under one that takes one, one
// holds.
func TestTwoKeysAreTwoPeople(t *testing.T) {
	h, ada, bea := newHouse(t, "port-1"), newSigningKey(t, "seed-bank-ada"), newSigningKey(t, "seed-bank-bea")
	place := filepath.Join(h.dir, "site.settings")
	put := func(b []byte) {
		t.Helper()
		if err := os.WriteFile(place, b, 0o600); err != nil {
			t.Fatal(err)
		}
		if h.Gateway != nil {
			h.PullNow()
		}
	}
	change := signedOrder{dir: h.dir, serial: 1, settings: strings.Replace(centralOne, "layouts/theirs.yaml", "as.yaml", 1)}
	put(ada.sign(t, change))
	h.start(t, trusting("site.settings", "", ada, bea)+"settings: {adopt: two, over: [balances]}\n")
	until(t, func() bool {
		return strings.Contains(h.condition(health.CentralRefused), "policy takes two people for a change of balances, and one key has signed")
	}, "one signature is not refused")
	if h.serial() != 0 || h.waits() || h.Balances()[0].Place != "Room 1" || h.Config().Log.Level != "info" {
		t.Error("something has changed")
	}
	put(ada.sign(t, change, bea))
	h.holdsSerial(t, 1)
	if h.waits() || h.Balances()[0].Place != "Room 2" {
		t.Error("with two signatures it does not hold")
	}
	put(bea.sign(t, signedOrder{serial: 2, settings: "log: {level: warn}\n"})) // what the policy is not about
	h.holdsSerial(t, 2)
	put(bea.sign(t, signedOrder{serial: 3, settings: "settings: {adopt: none}\n"}))
	until(t, func() bool {
		return strings.Contains(h.condition(health.CentralRefused), "two people for a change of settings")
	}, "one signature takes the policy away")
	put(bea.sign(t, signedOrder{serial: 4, settings: "settings: {adopt: one}\n"}, ada))
	h.holdsSerial(t, 4)
	put(bea.sign(t, signedOrder{dir: h.dir, serial: 5, settings: strings.NewReplacer("layouts/theirs.yaml", "as.yaml", "Room 2", "Room 3").Replace(centralOne)}))
	h.holdsSerial(t, 5)
	if h.waits() || h.Balances()[0].Place != "Room 3" {
		t.Error("under a policy of one person, one signature does not hold")
	}
	h.again(t)
	if h.waits() || h.Balances()[0].Place != "Room 3" || h.serial() != 5 {
		t.Error("after a start something else holds")
	}
	h.stop(t)
}

const centralKillFolder = "WEIGHPOST_TEST_CENTRAL_KILL"

// TestKilledWhileSignedSettingsAreTaken kills a daemon around the moment at which it writes what it has pulled. Started again without the source, it
// runs by the old settings or by the new ones, whole, with the serial number that belongs to them; then it pulls again, and the new ones hold.
func TestKilledWhileSignedSettingsAreTaken(t *testing.T) {
	if dir := os.Getenv(centralKillFolder); dir != "" {
		cfg, err := config.LoadFile(filepath.Join(dir, "weighpost.yaml"))
		if err != nil {
			t.Fatal(err)
		}
		if err := gateway.New(cfg, gateway.Options{Hasher: littleWork()}).Start(t.Context()); err != nil {
			t.Fatal(err)
		}
		time.Sleep(10 * time.Second)
		return
	}
	rounds, _ := needs.Rounds(t, 3, 60)
	ada := newSigningKey(t, "seed-bank-ada")
	seen := map[string]int{}
	for round := range rounds {
		policy := []string{"", "settings: {adopt: one}\n"}[round%2]
		h := newHouse(t, "port-1")
		text := trusting("site.settings", "", ada) + policy
		h.write(t, "weighpost.yaml", strings.ReplaceAll(text, "DIR", h.dir))
		file := ada.sign(t, signedOrder{dir: h.dir, serial: 1, settings: centralOne, layouts: map[string]string{"layouts/theirs.yaml": alsoLine}})
		h.write(t, "site.settings", string(file))
		child := exec.CommandContext(t.Context(), os.Args[0], "-test.run", "^TestKilledWhileSignedSettingsAreTaken$")
		child.Env = append(os.Environ(), centralKillFolder+"="+h.dir)
		var said bytes.Buffer
		child.Stdout, child.Stderr = &said, &said
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		watched := []string{filepath.Join(h.dir, "journal", "settings-change.json"), filepath.Join(h.dir, "layouts"), h.file()}[round%3]
		was, _ := os.Stat(watched)
		for limit := time.Now().Add(30 * time.Second); ; time.Sleep(100 * time.Microsecond) {
			if now, err := os.Stat(watched); err == nil && (was == nil || now.ModTime() != was.ModTime()) {
				break
			}
			if time.Now().After(limit) {
				t.Fatalf("nothing is taken: %s", &said)
			}
		}
		time.Sleep(time.Duration(round/3) * 300 * time.Microsecond)
		_ = child.Process.Kill()
		_ = child.Wait()
		seen[h.oldOrNew(t, file)]++
	}
	t.Logf("%d kills: %v", rounds, seen)
}

// oldOrNew starts the daemon that was killed again, without its source first, and says by which settings it runs.
func (h *house) oldOrNew(t *testing.T, file []byte) string {
	t.Helper()
	if err := os.Remove(filepath.Join(h.dir, "site.settings")); err != nil {
		t.Fatal(err)
	}
	h.anew(t)
	place, level, layout := h.Balances()[0].Place, h.Config().Log.Level, h.Config().Layout("b-1").Text()
	is := fmt.Sprintf("serial %d", h.serial())
	switch {
	case place == "Room 1" && level == "info" && layout == asLine && h.serial() == 0:
		if h.waits() {
			is += ", waits"
		}
	case place == "Room 2" && level == "debug" && layout == alsoLine && h.serial() == 1 && !h.waits():
	default:
		t.Errorf("half of it holds: %s %s %q, serial number %d, waits: %t\n%s", place, level, layout, h.serial(), h.waits(), h.read(t))
	}
	h.write(t, "site.settings", string(file))
	h.PullNow()
	h.holdsSerial(t, 1)
	if h.waits() || h.Balances()[0].Place != "Room 2" || h.Config().Layout("b-1").Text() != alsoLine {
		t.Errorf("pulled again, it does not hold: %+v", h.Balances()[0])
	}
	h.stop(t)
	if left, _ := filepath.Glob(filepath.Join(h.dir, "journal", "settings-change.json")); len(left) > 0 {
		t.Error("the note is left behind")
	}
	if old := all[record.Configured](t, h, record.KindConfigured); !slices.ContainsFunc(old, func(c record.Configured) bool {
		return c.By != nil && c.By.By == record.ActorSigned && c.Central != nil && c.Central.Serial == 1
	}) {
		t.Error("no entry tells who has signed")
	}
	return is
}
