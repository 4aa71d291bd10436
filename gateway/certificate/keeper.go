package certificate

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/pem"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"weighpost/gateway/health"
)

// lookEvery is how often the files are read. A pair that changed is taken once two looks have seen the same: whoever writes the
// two files is done then. Content is compared, since times and numbers of files lie on network disks and after copies.
const lookEvery = 5 * time.Second

// subject is what the conditions are about.
const subject = "page"

// Options is what a Keeper needs.
type Options struct {
	Config Config
	Names  []string // that the page answers to by configuration; a self-made certificate names them, and a given one should
	Folder string   // the journal's
	Board  *health.Board
	Log    *slog.Logger
	Now    func() time.Time // nil: time.Now
}

// Keeper keeps the certificate. Its methods may be called from any goroutine.
type Keeper struct {
	options Options
	inUse   atomic.Pointer[tls.Certificate]

	mu    sync.Mutex
	seen  pairText // what the last look read, taken or not
	taken pairText
	why   error // why what was seen is not in use; nil: it is

	logged string // the last such reason in the log; belongs to Run
}

// pairText is what the two files hold.
type pairText struct{ certificate, key []byte }

func (p pairText) equal(o pairText) bool {
	return bytes.Equal(p.certificate, o.certificate) && bytes.Equal(p.key, o.key)
}

// New prepares a Keeper. It opens nothing.
func New(o Options) *Keeper {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Keeper{options: o}
}

// errNone is what a client's connection ends with while there is no certificate to show.
var errNone = errors.New("the page has no certificate that it could show: see the conditions of weighpost")

// Get gives the certificate to show, as crypto/tls asks for it.
func (k *Keeper) Get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	if pair := k.inUse.Load(); pair != nil {
		return pair, nil
	}
	return nil, errNone
}

// Facts tells of the certificate in use; ok is false where there is none.
func (k *Keeper) Facts() (f Facts, ok bool) {
	pair := k.inUse.Load()
	if pair == nil {
		return Facts{}, false
	}
	return FactsOf(pair.Leaf), true
}

// Covers says whether the certificate in use stands for a host.
func (k *Keeper) Covers(host string) bool {
	pair := k.inUse.Load()
	return pair != nil && pair.Leaf.VerifyHostname(host) == nil
}

// SelfMade says whether weighpost vouches for itself.
func (k *Keeper) SelfMade() bool { return k.options.Config.SelfMade }

// Take reads the files and takes what they hold now. The error is a sentence that says why what they hold is not in use; then
// what was in use before goes on. It raises no condition: Run does.
func (k *Keeper) Take() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.look(true)
	return k.why
}

// Run looks at the files every few seconds until ctx ends, and tells the board.
func (k *Keeper) Run(ctx context.Context) {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		k.report()
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			k.mu.Lock()
			k.look(false)
			k.mu.Unlock()
		}
	}
}

// look takes what is new and good. At once: also what was not seen twice.
func (k *Keeper) look(atOnce bool) {
	if k.options.Config.SelfMade {
		k.lookSelfMade()
		return
	}
	text, err := k.read()
	if err != nil {
		k.seen, k.why = pairText{}, err
		return
	}
	settled := atOnce || text.equal(k.seen)
	k.seen = text
	if text.equal(k.taken) {
		k.why = nil
		k.note()
		return
	}
	if !settled {
		return
	}
	pair, err := parsePair(text.certificate, text.key)
	if err == nil {
		err = k.worse(pair)
	}
	if k.why = err; err == nil {
		k.use(pair, text)
	}
}

// worse refuses a certificate that is not valid now, while the one in use is.
func (k *Keeper) worse(pair *tls.Certificate) error {
	now, old := k.options.Now(), k.inUse.Load()
	if why := unusableAt(pair.Leaf, now); why != "" && old != nil && unusableAt(old.Leaf, now) == "" {
		return fmt.Errorf("the certificate %s", why)
	}
	return nil
}

func (k *Keeper) read() (text pairText, err error) {
	if text.certificate, err = readFile(k.options.Config.Certificate, false); err != nil {
		return pairText{}, err
	}
	text.key, err = readFile(k.options.Config.Key, true)
	return text, err
}

func (k *Keeper) use(pair *tls.Certificate, text pairText) {
	k.taken = text
	k.inUse.Store(pair)
	k.note()
	k.announce(pair)
}

// note writes the certificate in use down for clients on this computer, where it is not there yet: they would refuse it else.
func (k *Keeper) note() {
	served := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: k.inUse.Load().Certificate[0]})
	if held, err := readFile(ServedFile(k.options.Folder), false); err == nil && bytes.Equal(held, served) {
		return
	}
	if err := writeFile(ServedFile(k.options.Folder), served, 0o644); err != nil {
		k.options.Log.Warn("commands on this computer may refuse the page: its certificate cannot be noted", "err", err)
	}
}

func (k *Keeper) announce(pair *tls.Certificate) {
	f := FactsOf(pair.Leaf)
	k.options.Log.Info("the page shows this certificate", "sha256", f.Fingerprint, "names", strings.Join(f.Names, " "), "until", inWords(f.Until))
}

func (k *Keeper) lookSelfMade() {
	old := k.inUse.Load()
	pair, err := selfMade(k.options.Folder, k.must(), Around(), k.options.Now())
	k.why = err
	if pair == nil || old != nil && bytes.Equal(old.Leaf.Raw, pair.Leaf.Raw) {
		return
	}
	k.inUse.Store(pair)
	k.announce(pair)
}

// must are the names that a self-made certificate stands for.
func (k *Keeper) must() []string {
	return slices.Concat([]string{"localhost", "127.0.0.1", "::1"}, k.options.Names)
}

// report tells the board how the certificate is.
func (k *Keeper) report() {
	if k.options.Board == nil {
		return
	}
	k.mu.Lock()
	why := k.why
	k.mu.Unlock()
	pair := k.inUse.Load()
	k.reportRefused(why, pair)
	k.reportEnd(pair)
	k.reportNames(pair)
}

func (k *Keeper) reportRefused(why error, pair *tls.Certificate) {
	if why == nil {
		k.options.Board.Clear(health.CertificateRefused, subject)
		k.logged = ""
		return
	}
	severity, rest := health.Warning, "The page goes on with the one before."
	if pair == nil {
		severity, rest = health.Error, "The page cannot be opened; recording and delivery go on."
	}
	if k.logged != why.Error() {
		k.logged = why.Error()
		k.options.Log.Error("the page's certificate was not taken", "err", why)
	}
	k.options.Board.Raise(health.Condition{
		Code: health.CertificateRefused, Subject: subject, Severity: severity,
		Sentence: fmt.Sprintf("The certificate of the page cannot be used: %v. %s", why, rest), Remedy: k.remedy(),
	})
}

func (k *Keeper) remedy() string {
	if k.options.Config.SelfMade {
		return fmt.Sprintf("See that weighpost's user may write %s, and that its disk is not full; it is tried again by itself.", filepath.Clean(k.options.Folder))
	}
	return fmt.Sprintf("Put a certificate and the key that belongs to it into %s and %s; they are taken within seconds.",
		k.options.Config.Certificate, k.options.Config.Key)
}

func (k *Keeper) reportEnd(pair *tls.Certificate) {
	now := k.options.Now()
	if pair == nil || unusableAt(pair.Leaf, now) == "" && now.Before(pair.Leaf.NotAfter.Add(-soon(pair.Leaf))) {
		k.options.Board.Clear(health.CertificateEnds, subject)
		return
	}
	severity, sentence := health.Warning, fmt.Sprintf("The certificate of the page runs out on %s.", inWords(pair.Leaf.NotAfter))
	if why := unusableAt(pair.Leaf, now); why != "" {
		severity, sentence = health.Error, fmt.Sprintf("The certificate of the page %s, so that browsers refuse the page.", why)
	}
	remedy := "Have it renewed, and put the new one and its key into the same files; they are taken within seconds. See also that this computer's date is right."
	if k.options.Config.SelfMade {
		remedy = k.remedy()
	}
	k.options.Board.Raise(health.Condition{Code: health.CertificateEnds, Subject: subject, Severity: severity, Sentence: sentence, Remedy: remedy,
		From: []health.Ref{{Code: health.CertificateRefused, Subject: subject}}})
}

func (k *Keeper) reportNames(pair *tls.Certificate) {
	var missing []string
	if pair != nil {
		missing = slices.DeleteFunc(slices.Clone(k.options.Names), func(n string) bool { return pair.Leaf.VerifyHostname(n) == nil })
	}
	if len(missing) == 0 {
		k.options.Board.Clear(health.CertificateNames, subject)
		return
	}
	k.options.Board.Raise(health.Condition{
		Code: health.CertificateNames, Subject: subject, Severity: health.Warning,
		Sentence: fmt.Sprintf("The certificate of the page does not stand for %s, so that browsers refuse the page under that name.", strings.Join(missing, ", ")),
		Remedy:   "Have a certificate made that names it too, or take the name away under page, names.",
	})
}

// Forget takes back what the board was told, where the page has no certificate any more.
func Forget(board *health.Board) {
	for _, code := range []string{health.CertificateRefused, health.CertificateEnds, health.CertificateNames} {
		board.Clear(code, subject)
	}
}
