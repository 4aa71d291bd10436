//go:build unix

package screens

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
)

// press makes files slowly enough that their coming is seen.
type press struct {
	*drawer
	asked chan url.Values
}

func (p press) Export(_ context.Context, q url.Values) (console.Download, error) {
	p.asked <- q
	return console.Download{Name: "weighed.csv", MediaType: "text/csv", Write: func(_ context.Context, w io.Writer) ([]byte, string, error) {
		for range 4 {
			if _, err := w.Write(bytes.Repeat([]byte("x"), 100_000)); err != nil {
				return nil, "", err
			}
		}
		return []byte("{}"), "", nil
	}}, nil
}

// TestSearchOpenProveAndTakeInABrowser: with a real one, as a person does. The file that was taken is whole.
func TestSearchOpenProveAndTakeInABrowser(t *testing.T) {
	b := sitDown(t)
	s := &drawer{}
	for i := range 60 {
		s.weighing(t, "b-12", "12.3450", "LOT-"+string(rune('A'+i%26)), i)
	}
	s.weighing(t, "b-12", "7.25", evilText, 9)
	asked := make(chan url.Values, 4)
	h := openHouse(t, Deps{Entries: s, Evidence: s, Exports: press{s, asked}, Source: source{balances: []console.Balance{{ID: "b-12"}}}}, nil)
	into := t.TempDir()
	b.Open(h.base + "/weighed")
	if err := b.Call("Browser.setDownloadBehavior", map[string]any{"behavior": "allow", "downloadPath": into}, nil); err != nil {
		t.Log(err)
	}
	main := `document.querySelector("main")?.innerText ?? ""`
	b.Until(main, "61 entries", "7.25")
	if got := b.Text(`document.querySelectorAll("main img, main b img").length + " " + document.title`); !strings.HasPrefix(got, "0 What was weighed") {
		t.Error(got)
	}
	b.Text(`document.querySelector("#sample").value = "LOT-C"; document.querySelector(".ask button").click(); ""`)
	b.Until(main, "3 entries", `with sample "LOT-C"`)
	if got := b.Text("location.search"); !strings.Contains(got, "sample=LOT-C") {
		t.Errorf("the search has the address %s", got)
	}
	b.Until("document.readyState", "complete") // with its scripts
	b.Text(`document.querySelector(".take summary").click(); document.querySelector("#format").value = "csv"; document.querySelector("#take button").click(); ""`)
	b.Until(`document.querySelector("#taken").textContent`, "Whole: weighed.csv, 400\u202f000 bytes")
	if q := <-asked; q.Get("sample") != "LOT-C" || q.Get("kind") != "weighing,result" || q.Get("format") != "csv" || q.Get("pack") != "zip" {
		t.Errorf("the file was asked for as %v", q)
	}
	for limit := time.Now().Add(patience); ; time.Sleep(50 * time.Millisecond) {
		if got, err := os.ReadFile(filepath.Join(into, "weighed.csv")); err == nil && len(got) == 400_000 {
			break
		}
		if time.Now().After(limit) {
			t.Fatal("the file is not there")
		}
	}
	b.Text(`document.querySelector("td.when a").click(); ""`)
	b.Until(main, "12.3450", "4e 20 20 31", "Leaf hash", strings.Repeat("1f", 32), "Save the proof as a file", "LOT-C")
	got := b.Text(`fetch(document.querySelector("#take-proof").href).then((r) => r.text()).then((x) => { document.body.dataset.proof = x; }); ""`)
	b.Until(`document.body.dataset.proof ?? "`+got+`"`, "x")
}

// TestWhatIsCutOffIsNoFile: an export that ends too early leaves nothing behind, and says so.
func TestWhatIsCutOffIsNoFile(t *testing.T) {
	b := sitDown(t)
	s := &drawer{}
	s.weighing(t, "b-12", "7.25", "LOT-1", 9)
	h := openHouse(t, Deps{Entries: s, Evidence: s, Exports: torn{s}, Source: source{}}, nil)
	b.Open(h.base + "/happened?kind=all")
	b.Until(`document.querySelector("main")?.innerText ?? ""`, "1 entry")
	b.Until("document.readyState", "complete") // with its scripts
	b.Text(`document.querySelector(".take summary").click(); document.querySelector("#take button").click(); ""`)
	b.Until(`document.querySelector("#taken").textContent`, "no file")
}

// torn makes files that break off.
type torn struct{ *drawer }

func (torn) Export(context.Context, url.Values) (console.Download, error) {
	return console.Download{Name: "x", MediaType: "text/csv", Write: func(_ context.Context, w io.Writer) ([]byte, string, error) {
		_, _ = w.Write(bytes.Repeat([]byte("x"), 100_000))
		return nil, "", http.ErrAbortHandler
	}}, nil
}
