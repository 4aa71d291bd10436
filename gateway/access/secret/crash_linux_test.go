package secret

import (
	"bufio"
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/needs"
)

// child is set in a process that a test started to kill it.
const child = "WEIGHPOST_SECRET_CHILD"

func TestMain(m *testing.M) {
	if dir := os.Getenv(child); dir != "" {
		if err := untilKilled(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// untilKilled guesses somebody's password and changes secrets, and says each step once it may be relied on.
func untilKilled(dir string) error {
	v, err := OpenVault(dir)
	if err != nil {
		return err
	}
	th, err := OpenThrottle(dir, func() LockConfig { return LockConfig{After: 100} }, nil)
	if err != nil {
		return err
	}
	last, _ := v.Person("p-1")
	for n := last.PINLen + 1; ; n++ {
		if y, err := th.Begin(Attempt{Way: Password, Account: "p-1", Known: true, Address: fmt.Sprintf("%d-%d", os.Getpid(), n)}); err == nil {
			fmt.Println("guess", n)
			y.Wrong()
		}
		err := v.Change("p-1", func(k *Kept) error { k.PINLen = n; k.Former = nil; return nil })
		if err != nil {
			return err
		}
		fmt.Println("kept", n)
	}
}

// TestKills kills a process again and again while it changes secrets and guesses a password: what was acknowledged is there, the
// file is never damaged, and all the guesses together are no more than are allowed (fault: kill -9 at any moment).
func TestKills(t *testing.T) {
	rounds := 12
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		rounds = 200
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	dir := t.TempDir()
	guesses, kept := 0, 0
	for range rounds {
		out := runAndKill(t, dir, time.Duration(20+random.IntN(120))*time.Millisecond)
		lines := bufio.NewScanner(bytes.NewReader(out))
		for lines.Scan() {
			what, number, _ := strings.Cut(lines.Text(), " ")
			n, _ := strconv.Atoi(number)
			switch what {
			case "guess":
				guesses++
			case "kept":
				kept = max(kept, n)
			}
		}
		v, err := OpenVault(dir)
		if err != nil {
			t.Fatal(err)
		}
		if k, _ := v.Person("p-1"); k.PINLen < kept || k.PINLen > kept+1 {
			t.Fatalf("%d is kept, and %d was acknowledged", k.PINLen, kept)
		}
	}
	if kept == 0 || guesses == 0 || guesses > 100 {
		t.Errorf("%d guesses and %d changes in %d lives", guesses, kept, rounds)
	}
	t.Logf("%d guesses and %d changes in %d lives", guesses, kept, rounds)
}

// runAndKill gives the whole lines that a process said before it was killed, some time after its first.
func runAndKill(t *testing.T, dir string, after time.Duration) []byte {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), child+"="+dir)
	cmd.Stdout, cmd.Stderr = w, os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	w.Close()
	var out bytes.Buffer
	first := make([]byte, 1)
	if _, err := r.Read(first); err != nil {
		_ = cmd.Wait()
		t.Fatalf("the process said nothing: %v", err)
	}
	out.Write(first)
	time.AfterFunc(after, func() { _ = cmd.Process.Kill() })
	_, _ = out.ReadFrom(r)
	_ = cmd.Wait()
	b := out.Bytes()
	return b[:bytes.LastIndexByte(b, '\n')+1]
}

// TestAFullDisk: a change is refused with a sentence, and what was there stays, in memory and in the file; who may try is refused
// while failures cannot be counted.
func TestAFullDisk(t *testing.T) {
	needs.Root(t, "to mount a small tmpfs")
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=256k,mode=700"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = syscall.Unmount(dir, syscall.MNT_DETACH) })
	hash := mustHash(t, NewHasher(cheap, 1, 1), "x")
	v := openVault(t, dir)
	th, err := OpenThrottle(dir, func() LockConfig { return LockConfig{} }, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := v.Change("p-1", set(hash)); err != nil {
		t.Fatal(err)
	}
	filler := filepath.Join(dir, "filler")
	fill(t, filler)
	for range 3 {
		if err := v.Change("p-2", set(hash)); err == nil || !strings.Contains(err.Error(), "nothing was changed") || !strings.Contains(err.Error(), "disk full") {
			t.Fatalf("%v", err)
		}
	}
	for _, v := range []*Vault{v, openVault(t, dir)} {
		_, one := v.Person("p-1")
		if _, two := v.Person("p-2"); !one || two {
			t.Errorf("p-1 %t, p-2 %t", one, two)
		}
	}
	refused := 0
	for i := range 200 {
		if _, err := th.Begin(Attempt{Way: Password, Account: fmt.Sprint(i), Address: fmt.Sprint(i)}); err != nil {
			refused++
		}
	}
	if refused == 0 {
		t.Error("failures were counted on a full disk")
	}
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	if err := v.Change("p-2", set(hash)); err != nil {
		t.Error(err)
	}
	if _, err := th.Begin(Attempt{Way: Password, Account: "p-2", Address: "x"}); err != nil {
		t.Error(err)
	}
	if _, err := OpenThrottle(dir, func() LockConfig { return LockConfig{} }, nil); err != nil {
		t.Error(err)
	}
}

// fill writes until there is no room, to the last byte.
func fill(t *testing.T, name string) {
	t.Helper()
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for size := 64 << 10; size > 0; size /= 2 {
		for {
			if _, err := f.Write(make([]byte, size)); err != nil {
				break
			}
		}
	}
}
