package watch

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/needs"
)

// screenEnv makes this test program the watcher of a page, as the command is one, instead of running tests.
const screenEnv = "WEIGHPOST_WATCH_PAGE"

func init() {
	if page := os.Getenv(screenEnv); page != "" {
		instead = func() { os.Exit(watchInTerminal(page)) }
	}
}

func watchInTerminal(page string) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	defer stop()
	d := &Daemon{URL: page, first: 100 * time.Millisecond, later: 200 * time.Millisecond}
	var err error
	if Fills(os.Stdin, os.Stdout, os.Getenv) {
		plain, ascii := Marks(os.Getenv)
		err = (&Screen{Daemon: d, In: os.Stdin, Out: os.Stdout, Plain: plain, ASCII: ascii}).Run(ctx)
	} else {
		err = d.Run(ctx, NewPrinter(os.Stdout, Style{}).Print)
	}
	if err != nil && !errors.Is(err, ErrGone) {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}

type lab struct {
	*httptest.Server
	away atomic.Bool // whoever connects from now on is not answered
}

// labPage is a page with twelve balances, one of them hostile; what comes beside the state of b-02 are its bytes.
func labPage(t *testing.T) *lab {
	t.Helper()
	p := &lab{}
	p.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if p.away.Load() {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Content-Type", "text/event-stream")
		out := http.NewResponseController(w)
		for n := 0; r.Context().Err() == nil; n++ {
			fmt.Fprintf(w, "event: state\ndata: %s\n\n", labState())
			fmt.Fprint(w, "event: readings\ndata: [{\"balance\":\"b-01\",\"utc\":\"2026-11-25T15:04:06Z\",\"value\":{\"digits\":\"10.3450\",\"unit\":\"g\",\"stability\":\"stable\",\"range\":\"in\"}}]\n\n")
			if r.URL.Query().Get("bytes") == "yes" {
				fmt.Fprintf(w, "event: bytes\ndata: {\"balance\":%q,\"frames\":[{\"utc\":\"2026-11-25T15:04:%02dZ\",\"bytes\":\"AiAxMi4zNDUwIGcNChtbMko=\"}]}\n\n", r.URL.Query().Get("balance"), n%60)
			}
			_ = out.Flush()
			select {
			case <-r.Context().Done():
			case <-time.After(200 * time.Millisecond):
			}
		}
	}))
	t.Cleanup(p.Close)
	return p
}

func labState() string {
	var balances []string
	for i := range 12 {
		id := fmt.Sprintf("b-%02d", i+1)
		if i == 4 {
			id = `b-05\u001b[2J\u001b]0;owned\u0007`
		}
		word := []string{"stable", "unstable"}[i%2]
		balances = append(balances, fmt.Sprintf(`{"id":"%s","place":"seed store %d","port":"/dev/ttyUSB%d","port_up":%v,"context":[{"name":"person","id":"k07","since":"2026-11-25T15:00:00Z"},{"name":"sample","id":"OAT-%04d","since":"2026-11-25T15:00:00Z"}],`+
			`"live":{"balance":"%s","utc":"2026-11-25T15:04:05Z","value":{"digits":"%d.3450","unit":"g","stability":"%s","range":"in"}},`+
			`"last":{"id":"seed-bank/7qx3/b-%02d/000184","utc":"2026-11-25T15:03:05Z","value":{"digits":"%d.3450","unit":"g"},"sample":"OAT-%04d"}}`, id, i/4+1, i, i != 2, i, id, i+10, word, i+1, i+10, i))
	}
	return `{"site":"seed-bank","at":"2026-11-25T15:04:06Z","recording":true,"clock":{"state":"checked","bound_s":0.021},"sinks":[{"id":"broker","state":"waiting","lag":3},{"id":"share","state":"working"}],` +
		`"conditions":[{"code":"port-missing","subject":"b-03","severity":"error","sentence":"Nothing comes from balance b-03. The serial port /dev/ttyUSB2 went away.","remedy":"Plug the adapter in again; it goes on by itself."},` +
		`{"code":"sink-waiting","subject":"broker","severity":"warning","sentence":"The broker does not answer since 14:59.","remedy":"Look whether it runs, and whether the network reaches it."}],` +
		`"balances":[` + strings.Join(balances, ",") + `]}`
}

// terminal is a tmux of its own with one program in it.
type terminal struct {
	t      *testing.T
	socket string
}

func newTerminal(t *testing.T, width, height int, env ...string) *terminal {
	t.Helper()
	needs.Programs(t, "tmux")
	dir, err := os.MkdirTemp("", "tmux-") // a socket's path has to be short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	m := &terminal{t, filepath.Join(dir, "s")}
	// The shell stays, so that what the program leaves behind is seen.
	command := "env " + strings.Join(env, " ") + " " + os.Args[0] + "; echo ended with $?; exec sleep 60"
	m.run("-f", "/dev/null", "-u", "new-session", "-d", "-x", fmt.Sprint(width), "-y", fmt.Sprint(height), command)
	t.Cleanup(func() { _ = exec.Command("tmux", "-S", m.socket, "kill-server").Run() })
	return m
}

func (m *terminal) run(args ...string) string {
	m.t.Helper()
	out, err := exec.Command("tmux", append([]string{"-S", m.socket}, args...)...).CombinedOutput()
	if err != nil {
		m.t.Fatalf("tmux %v: %v\n%s", args, err, out)
	}
	return string(out)
}

func (m *terminal) keys(list ...string) { m.run(append([]string{"send-keys"}, list...)...) }

// shows waits until the screen has all of these, and gives it.
func (m *terminal) shows(want ...string) string {
	m.t.Helper()
	screen := ""
	for limit := time.Now().Add(15 * time.Second); time.Now().Before(limit); time.Sleep(50 * time.Millisecond) {
		screen = m.run("capture-pane", "-p")
		missing := false
		for _, w := range want {
			missing = missing || !strings.Contains(screen, w)
		}
		if !missing {
			if at := os.Getenv("WEIGHPOST_SCREENS"); at != "" { // to be looked at
				f, _ := os.OpenFile(at, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
				fmt.Fprintf(f, "=== %s %q\n%s", m.t.Name(), want, screen)
				f.Close()
			}
			return screen
		}
	}
	m.t.Fatalf("the screen lacks some of %q:\n%s", want, screen)
	return ""
}

const ourKeys = "q quit"

func TestInARealTerminal(t *testing.T) {
	p := labPage(t)
	page := screenEnv + "=" + p.URL
	for _, size := range [][2]int{{80, 24}, {200, 60}} {
		m := newTerminal(t, size[0], size[1], page, "LC_ALL=C.UTF-8")
		m.shows("recording  seed-bank", "b-01", "settled", "port down", "OAT-0000", "±21 ms", "broker waiting, 3 to go", "Nothing comes from balance b-03", `b-05\x1b`, ourKeys)
		m.keys("Down", "Enter")
		m.shows("b-02", "moving", "person k07, sample OAT-0001", "<STX> 12.3450 g<CR><LF><ESC>[2J", "02 20 31 32 2e", "Esc all balances")
		m.keys("w")
		m.shows("Look whether it runs")
		m.keys("Escape")
		m.shows("> b-02")
		m.keys("q")
		m.shows("ended with 0")
		if title := m.run("display-message", "-p", "#{pane_title}"); strings.Contains(title, "owned") {
			t.Errorf("a balance named the terminal %q", title)
		}
	}
}

func TestATerminalThatIsResized(t *testing.T) {
	m := newTerminal(t, 80, 24, screenEnv+"="+labPage(t).URL, "LC_ALL=C.UTF-8")
	m.shows("> b-01", ourKeys)
	m.run("resize-window", "-x", "40", "-y", "10")
	m.shows("> b-01", "12 balances")
	m.run("resize-window", "-x", "200", "-y", "60")
	m.shows("b-12", "Look whether it runs", ourKeys)
	m.keys("C-c")
	m.shows("ended with 0")
}

func TestATerminalWithoutColourOrUTF8(t *testing.T) {
	m := newTerminal(t, 80, 24, screenEnv+"="+labPage(t).URL, "LC_ALL=C", "NO_COLOR=1")
	screen := m.shows("> b-01", "+/-21 ms", ourKeys)
	for _, r := range screen {
		if r >= 0x80 {
			t.Errorf("%q in a terminal that shows ASCII", r)
		}
	}
	if marked := m.run("capture-pane", "-p", "-e"); strings.Contains(marked, "\x1b[") {
		t.Errorf("marks without colour: %q", marked)
	}
	m.keys("q")
	m.shows("ended with 0")
}

// TestADumbTerminalAndAPipeGetLines: as before there was a screen.
func TestADumbTerminalAndAPipeGetLines(t *testing.T) {
	p := labPage(t)
	m := newTerminal(t, 120, 24, screenEnv+"="+p.URL, "TERM=dumb")
	m.shows("-- seed-bank at http://", "!! error: Nothing comes")
	m.keys("C-c")
	m.shows("ended with 0")
	piped := exec.Command("sh", "-c", os.Args[0]+" | head -3")
	piped.Env = append(os.Environ(), screenEnv+"="+p.URL)
	out, err := piped.CombinedOutput()
	if err != nil || strings.ContainsRune(string(out), 0x1b) || strings.Count(string(out), "\n") != 3 || !strings.Contains(string(out), "  -- seed-bank at ") {
		t.Errorf("%v: %q", err, out)
	}
}

// TestADaemonThatGoesAwayIsSaidOnTheScreen: and the screen goes on when it comes back; a terminal that is closed ends the program.
func TestADaemonThatGoesAwayIsSaidOnTheScreen(t *testing.T) {
	p := labPage(t)
	m := newTerminal(t, 80, 24, screenEnv+"="+p.URL, "LC_ALL=C.UTF-8")
	m.shows("recording  seed-bank")
	p.away.Store(true)
	p.CloseClientConnections()
	m.shows("NOT CONNECTED", "trying again", "may be wrong by now")
	p.away.Store(false)
	m.shows("recording  seed-bank")
	pid := strings.TrimSpace(m.run("display-message", "-p", "#{pane_pid}"))
	m.run("kill-server") // hangs up
	for limit := time.Now().Add(10 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if _, err := os.Stat("/proc/" + pid); err != nil {
			break
		}
		if time.Now().After(limit) {
			t.Fatal("the program outlives its terminal")
		}
	}
}
