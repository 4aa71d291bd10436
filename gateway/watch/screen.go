package watch

import (
	"context"
	"errors"
	"io"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	tea "charm.land/bubbletea/v2"
	"golang.org/x/term"

	"weighpost/gateway/record"
)

// Screen is the live view of a daemon that fills a terminal: all balances, one of them with its bytes, or what is wrong. It shows
// what the daemon's page sends, and changes nothing.
type Screen struct {
	Daemon *Daemon
	In     *os.File
	Out    *os.File
	// Plain is a terminal without colour and other marks than letters; ASCII is one that shows no other characters.
	Plain, ASCII bool
}

// Fills says whether a screen may be drawn on out and keys be read from in; elsewhere lines are printed. getenv is os.Getenv.
func Fills(in io.Reader, out io.Writer, getenv func(string) string) bool {
	from, isFile := in.(*os.File)
	to, isAlso := out.(*os.File)
	if !isFile || !isAlso || !term.IsTerminal(int(from.Fd())) || !term.IsTerminal(int(to.Fd())) {
		return false
	}
	return getenv("TERM") != "dumb" && (getenv("TERM") != "" || os.PathSeparator == '\\')
}

// Marks says what the environment tells of a terminal: NO_COLOR, not empty, asks for none (the convention of that name), and the
// locale for the coding of characters (POSIX.1-2017, Base Definitions, 8.2: the first that is set of three).
func Marks(getenv func(string) string) (plain, ascii bool) {
	plain = getenv("NO_COLOR") != ""
	if os.PathSeparator == '\\' {
		return plain, false
	}
	for _, name := range []string{"LC_ALL", "LC_CTYPE", "LANG"} {
		if v := strings.ToLower(getenv(name)); v != "" {
			return plain, !strings.Contains(v, "utf-8") && !strings.Contains(v, "utf8")
		}
	}
	return plain, true
}

// Run shows the screen until q, Ctrl-C or the end of ctx, which are no errors.
func (s *Screen) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	focus := make(chan string, 1)
	m := &model{plain: s.Plain, ascii: s.ASCII, url: s.Daemon.URL, width: 80, height: 24, values: map[string]Event{}, focus: focus}
	p := tea.NewProgram(m, tea.WithContext(ctx), tea.WithInput(s.In), tea.WithOutput(s.Out), tea.WithFPS(10))
	var feeds sync.WaitGroup
	var failed error
	if err := s.Daemon.prepare(); err != nil {
		return err
	}
	second := *s.Daemon // for a connection of its own
	s.Daemon.told = func(st state) { p.Send(st) }
	feeds.Go(func() {
		if err := s.Daemon.Run(ctx, func(e Event) error { p.Send(e); return nil }); err != nil {
			failed = err
			cancel()
		}
	})
	feeds.Go(func() { followFocus(ctx, &second, focus, p) })
	_, err := p.Run()
	cancel()
	feeds.Wait()
	switch {
	case failed != nil:
		return failed
	case errors.Is(err, tea.ErrProgramKilled) || errors.Is(err, tea.ErrInterrupted) || errors.Is(err, context.Canceled):
		if errors.Is(err, tea.ErrProgramPanic) {
			return err
		}
		return nil
	}
	return err
}

// followFocus asks for the bytes of the balance that is shown large, and of no other.
func followFocus(ctx context.Context, d *Daemon, focus <-chan string, p *tea.Program) {
	for balance := ""; ; {
		of, end := context.WithCancel(ctx)
		var one sync.WaitGroup
		if balance != "" {
			one.Go(func() { d.bytes(of, balance, func(b sent) { p.Send(b) }) })
		}
		select {
		case <-ctx.Done():
		case balance = <-focus:
		}
		end()
		one.Wait()
		if ctx.Err() != nil {
			return
		}
	}
}

// What the screen shows.
const (
	showAll = iota
	showOne
	showTrouble
)

// framesShown is how many frames of a balance are kept to be shown.
const framesShown = 200

// model is the screen as bubbletea takes it. All of its methods are called by one goroutine.
type model struct {
	plain, ascii  bool
	url           string
	width, height int

	state  *state // nil: none came yet
	values map[string]Event
	away   string // why the daemon does not answer; "": it does
	show   int
	at     int    // which balance is marked, in the order of the state
	one    string // the balance that is shown large
	scroll int    // of trouble
	frames []sentFrame
	focus  chan string
}

func (m *model) Init() tea.Cmd { return nil }

func (m *model) Update(msg tea.Msg) (tea.Model, tea.Cmd) {
	switch msg := msg.(type) {
	case tea.WindowSizeMsg:
		m.width, m.height = msg.Width, msg.Height
	case tea.KeyPressMsg:
		return m, m.key(msg.String())
	case state:
		m.take(msg)
	case Event:
		m.event(msg)
	case sent:
		if msg.Balance == m.one {
			m.frames = append(m.frames, msg.Frames...)
			m.frames = slices.Delete(m.frames, 0, max(0, len(m.frames)-framesShown))
		}
	}
	return m, nil
}

// take keeps a state, and what it shows in place of readings that did not come.
func (m *model) take(s state) {
	marked := m.marked()
	m.state, m.away = &s, ""
	if i := slices.IndexFunc(s.Balances, func(b balanceState) bool { return b.ID == marked }); i >= 0 {
		m.at = i
	}
	m.at = max(0, min(m.at, len(s.Balances)-1))
	for _, b := range s.Balances {
		if b.Live != nil {
			m.values[b.ID] = eventOf(*b.Live)
		}
	}
	if m.show == showOne && m.balance(m.one) == nil {
		m.leave()
	}
}

func (m *model) event(e Event) {
	switch e.Event {
	case Away:
		m.away = e.Why
	case Reading, Unread:
		if m.state != nil && m.balance(e.Balance) != nil {
			m.values[e.Balance] = e
		}
	case Recorded:
		if b := m.balance(e.Balance); b != nil && e.Value != nil {
			b.Last = &lastRecorded{ID: e.ID, UTC: e.UTC, Value: *e.Value, Sample: e.Sample}
		}
	}
}

func (m *model) marked() string {
	if m.state == nil || m.at >= len(m.state.Balances) {
		return ""
	}
	return m.state.Balances[m.at].ID
}

func (m *model) balance(id string) *balanceState {
	if m.state == nil {
		return nil
	}
	for i := range m.state.Balances {
		if m.state.Balances[i].ID == id {
			return &m.state.Balances[i]
		}
	}
	return nil
}

// key does what a key asks for.
func (m *model) key(k string) tea.Cmd {
	switch k {
	case "q", "Q", "ctrl+c":
		return tea.Quit
	case "up", "k":
		m.move(-1)
	case "down", "j":
		m.move(1)
	case "pgup":
		m.move(-max(1, m.height/2))
	case "pgdown", "space":
		m.move(max(1, m.height/2))
	case "home":
		m.move(-1 << 20)
	case "end":
		m.move(1 << 20)
	case "enter", "right":
		if id := m.marked(); id != "" && m.show != showOne {
			m.show = showOne
			m.look(id)
		}
	case "esc", "left", "backspace":
		m.leave()
	case "w":
		if m.show == showTrouble {
			m.leave()
			break
		}
		m.leave()
		m.show, m.scroll = showTrouble, 0
	}
	return nil
}

// move marks another balance, shows it where one is shown, or moves what is wrong.
func (m *model) move(by int) {
	if m.show == showTrouble {
		m.scroll = max(0, m.scroll+by) // not past the end: see trouble
		return
	}
	if m.state == nil || len(m.state.Balances) == 0 {
		return
	}
	m.at = max(0, min(m.at+by, len(m.state.Balances)-1))
	if m.show == showOne {
		m.look(m.marked())
	}
}

// look shows one balance, and has its bytes followed.
func (m *model) look(id string) {
	if id == m.one {
		return
	}
	m.one, m.frames = id, nil
	select { // only the latest wish counts
	case <-m.focus:
	default:
	}
	m.focus <- id
}

func (m *model) leave() {
	m.show = showAll
	m.look("")
}

func (m *model) View() tea.View {
	v := tea.NewView(strings.Join(m.lines(), "\n"))
	v.AltScreen = true
	return v
}

// lastRecorded is the last weighing of a balance.
type lastRecorded struct {
	ID     string       `json:"id"`
	UTC    record.UTC   `json:"utc"`
	Value  record.Value `json:"value"`
	Sample string       `json:"sample"`
}

// stamp writes a time of day, in UTC as everywhere here.
func stamp(t record.UTC) string { return time.Time(t).UTC().Format("15:04:05") }
