package console

import (
	"encoding/base64"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

func TestATokenFileIsMadeOnceAndKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "api.token")
	first, err := OpenToken(path)
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	text := strings.TrimSuffix(string(b), "\n")
	raw, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || len(raw) < 16 || !first.Is(text) || first.Is(text+"x") || first.Is("") || first.Is(text[:len(text)-1]) {
		t.Errorf("%q: %v, %d bytes", text, err, len(raw))
	}
	if info, err := os.Stat(path); err != nil || runtime.GOOS != "windows" && info.Mode().Perm() != 0o600 {
		t.Errorf("%v %v", info.Mode(), err)
	}
	if again, err := OpenToken(path); err != nil || again != first {
		t.Errorf("the second start has another token: %v", err)
	}
	other, err := OpenToken(filepath.Join(t.TempDir(), "api.token"))
	if err != nil || other == first {
		t.Errorf("two files hold the same token: %v", err)
	}
	if (Token{}).Is("") || (Token{}).Is(text) {
		t.Error("no token lets something through")
	}
}

func TestATokenFileThatIsNotSecretIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "api.token")
	write := func(text string, mode os.FileMode) {
		t.Helper()
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
	}
	good := strings.Repeat("k", 43) + "\n"
	for _, mode := range []os.FileMode{0o644, 0o640, 0o604, 0o620, 0o602, 0o660, 0o777} {
		if runtime.GOOS == "windows" {
			break
		}
		write(good, mode)
		if _, err := OpenToken(path); err == nil || !strings.Contains(err.Error(), "by others") {
			t.Errorf("mode %o: %v", mode, err)
		}
	}
	for _, text := range []string{"", "\n", "short\n", strings.Repeat("k", 21), strings.Repeat("k", 40) + " k", "two\n" + good, strings.Repeat("k", 2000)} {
		write(text, 0o600)
		if _, err := OpenToken(path); err == nil || !strings.Contains(err.Error(), "holds no token") {
			t.Errorf("%.30q: %v", text, err)
		}
	}
	for _, mode := range []os.FileMode{0o600, 0o400} {
		write(good, mode)
		if token, err := OpenToken(path); err != nil || !token.Is(strings.TrimSpace(good)) {
			t.Errorf("mode %o: %v", mode, err)
		}
	}
	if _, err := OpenToken(t.TempDir()); err == nil || !strings.Contains(err.Error(), "is no file") && runtime.GOOS != "windows" {
		t.Errorf("a folder: %v", err)
	}
	if _, err := OpenToken(filepath.Join(t.TempDir(), "no", "folder")); err == nil || !strings.Contains(err.Error(), "cannot be made") {
		t.Errorf("no folder: %v", err)
	}
}

// TestHalfATokenIsNeverFound: what a start that was cut off left behind is no token and is in nobody's way.
func TestHalfATokenIsNeverFound(t *testing.T) {
	path := filepath.Join(t.TempDir(), "api.token")
	if err := os.WriteFile(path+".new", []byte("half"), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenToken(path); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(path + ".new"); !os.IsNotExist(err) {
		t.Errorf("the half is still there: %v", err)
	}
}
