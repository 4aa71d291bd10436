package walked

import (
	"context"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"weighpost/gateway/needs"
)

// seat is a browser with somebody before it.
type seat struct {
	t     *testing.T
	ctx   context.Context
	base  string // of the page, ends in /
	files string // where it puts what is downloaded
}

func sitDown(t *testing.T, base string) *seat {
	t.Helper()
	needs.Programs(t, "chromium")
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.NoSandbox, chromedp.DisableGPU, chromedp.ExecPath("chromium"), chromedp.WindowSize(1024, 768))
	ctx, end := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(end)
	ctx, end = chromedp.NewContext(ctx)
	t.Cleanup(end)
	s := &seat{t, ctx, base, t.TempDir()}
	if err := chromedp.Do(ctx); err != nil { // the browser lives as long as the context of this
		t.Fatal(err)
	}
	limit, cancel := s.limit()
	defer cancel()
	if _, err := chromedp.CallBrowser(limit, browser.SetDownloadBehavior, browser.SetDownloadBehaviorParams{Behavior: "allow", DownloadPath: s.files}); err != nil {
		t.Fatal(err)
	}
	return s
}

func (s *seat) limit() (context.Context, context.CancelFunc) {
	return context.WithTimeout(s.ctx, patience)
}

// do has the browser do things, one after the other.
func (s *seat) do(steps ...chromedp.Action[chromedp.Void]) {
	s.t.Helper()
	limit, cancel := s.limit()
	defer cancel()
	if err := chromedp.Do(limit, steps...); err != nil {
		s.t.Fatalf("%v; the page says: %s", err, s.text("main"))
	}
}

// open goes to a page by its address.
func (s *seat) open(path string) {
	s.t.Helper()
	s.do(chromedp.Navigate(s.base + strings.TrimPrefix(path, "/")))
}

// says gives what a script says. Between two documents there is nobody to say anything.
func (s *seat) says(script string) string {
	limit, cancel := s.limit()
	defer cancel()
	got, err := chromedp.Run(limit, chromedp.Evaluate[string]("String("+script+")"))
	if err != nil {
		return "nothing: " + err.Error()
	}
	return got
}

// text is what stands in a part of the page, for eyes; what is hidden says nothing.
func (s *seat) text(selector string) string {
	q := strconv.Quote(selector)
	return s.says("document.querySelector(" + q + ")?.innerText ?? 'there is no '+" + q)
}

// until waits until a script says all of the words.
func (s *seat) until(script string, words ...string) {
	s.t.Helper()
	last := ""
	for limit := time.Now().Add(patience); time.Now().Before(limit); time.Sleep(25 * time.Millisecond) {
		last = s.says(script)
		missing := false
		for _, w := range words {
			missing = missing || !strings.Contains(last, w)
		}
		if !missing {
			return
		}
	}
	s.t.Fatalf("%s never said %q; it says %q at %s; the page: %s", script, words, last, s.says("location.href"), s.text("main"))
}

// shows waits until a part of the page shows all of the words.
func (s *seat) shows(selector string, words ...string) {
	s.t.Helper()
	q := strconv.Quote(selector)
	s.until("document.querySelector("+q+")?.innerText ?? 'there is no '+"+q, words...)
}

// lacks waits until no part of the page that fits is seen.
func (s *seat) lacks(selector string) {
	s.t.Helper()
	s.until("[...document.querySelectorAll("+strconv.Quote(selector)+")].filter((e) => e.checkVisibility()).length", "0")
}

// at waits until the page has an address, and its scripts.
func (s *seat) at(path string) {
	s.t.Helper()
	s.until("location.pathname + location.search + ' ' + document.readyState", path+" complete")
}

// click presses what is there, once it can be pressed.
func (s *seat) click(selector string) {
	s.t.Helper()
	s.until("document.querySelector("+strconv.Quote(selector)+")?.disabled ?? false", "false")
	s.do(chromedp.Click(chromedp.CSS(selector)))
}

// fill types into a field.
func (s *seat) fill(selector, text string) {
	s.t.Helper()
	q := strconv.Quote(selector)
	s.until("document.readyState === 'complete' && (document.querySelector("+q+")?.focus(), document.activeElement?.matches("+q+"))", "true")
	s.keys(text)
}

// keys types what has a key of its own, to whatever has the keyboard.
func (s *seat) keys(text string) {
	s.t.Helper()
	s.do(chromedp.KeyEvent(text))
}

// enters types a line.
func (s *seat) enters(text string) {
	s.t.Helper()
	s.keys(text + kb.Enter)
}

// ready waits until something has the keyboard.
func (s *seat) ready(selector string) {
	s.t.Helper()
	s.until("document.activeElement?.matches("+strconv.Quote(selector)+")", "true")
}

// tabTo goes on with the Tab key until something has the keyboard.
func (s *seat) tabTo(selector string) {
	s.t.Helper()
	for range 60 {
		if s.says("document.activeElement?.matches("+strconv.Quote(selector)+")") == "true" {
			return
		}
		s.keys(kb.Tab)
	}
	s.t.Fatalf("the Tab key never comes to %s", selector)
}

// downloaded waits for a file whose name has an ending.
func (s *seat) downloaded(ending string) []byte {
	s.t.Helper()
	for limit := time.Now().Add(patience); time.Now().Before(limit); time.Sleep(25 * time.Millisecond) {
		found, _ := filepath.Glob(filepath.Join(s.files, "*"+ending))
		if len(found) == 1 {
			if b, err := os.ReadFile(found[0]); err == nil && len(b) > 0 {
				return b
			}
		}
	}
	list, _ := os.ReadDir(s.files)
	s.t.Fatalf("no file ...%s comes; there are %v", ending, list)
	return nil
}
