package gateway_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"image"
	"image/png"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// picture is a small PNG.
func picture(t *testing.T) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 8, 6))); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// sendPicture sends a picture with the host's token.
func (h *house) sendPicture(t *testing.T, kind string, content []byte) (int, record.KeptFile) {
	t.Helper()
	token, err := os.ReadFile(filepath.Join(h.dir, "journal", "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	r, err := http.NewRequestWithContext(t.Context(), "POST", h.PageURL()+"api/v1/slip-pictures?name=slip.png", bytes.NewReader(content))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+strings.TrimSpace(string(token)))
	r.Header.Set("Content-Type", kind)
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	var f record.KeptFile
	if resp.StatusCode == 200 {
		if err := json.Unmarshal(b, &f); err != nil {
			t.Fatal(err)
		}
	}
	return resp.StatusCode, f
}

func (h *house) kept(t *testing.T) (names []string) {
	t.Helper()
	list, err := os.ReadDir(filepath.Join(h.dir, "journal", "kept"))
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	for _, e := range list {
		names = append(names, e.Name())
	}
	return names
}

// slipBody is a slip as it is typed in.
func slipBody(digits string, weighed time.Time, more string) string {
	return `{"balance": "b-1", "digits": "` + digits + `", "unit": "g", "weighed": "` + weighed.UTC().Format(time.RFC3339) + `", "sample": "LOT-7", "reason": "weighpost was down", "by": "ada"` + more + `}`
}

// TestASlipIsTypedInWithItsPicture: the picture leaves nothing until a slip names it, is kept under its hash then, and is given out as it was. One
// person types the slip in, another confirms it, and neither act edits the other's entry. What the journal has already is asked about.
func TestASlipIsTypedInWithItsPicture(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "port-1")
	h.start(t, strings.Replace(asked, "  ask: {", "  record: printed\n  ask: {", 1))
	h.up(t)
	defer http.DefaultClient.CloseIdleConnections()
	content := picture(t)
	for kind, body := range map[string][]byte{"image/jpeg": content, "image/png": []byte("\x89PNG\r\n\x1a\nno picture")} {
		if status, _ := h.sendPicture(t, kind, body); status != 422 {
			t.Errorf("%s: %d", kind, status)
		}
	}
	if status, _ := h.sendPicture(t, "application/pdf", []byte("%PDF-1.7")); status != 415 {
		t.Errorf("a PDF: %d", status)
	}
	status, f := h.sendPicture(t, "image/png", content)
	if sum := sha256.Sum256(content); status != 200 || f.SHA256 != hex.EncodeToString(sum[:]) || len(h.kept(t)) != 0 {
		t.Fatalf("%d %+v, kept %v", status, f, h.kept(t))
	}
	slip := h.typedIn(t, f)
	h.askedAbout(t)
	h.decided(t, slip)

	h.stop(t)
	h.start(t, asked)
	if v, known := h.Slip(slip.ID); !known || v.State != "confirmed" || v.Note != slip.Note {
		t.Errorf("after a start: %+v", v)
	}
	h.stop(t)
	if list := all[record.LateDecided](t, h, record.KindLateDecided); len(list) != 1 || list[0].By.ID != "ben" || list[0].Entered.ID != slip.ID {
		t.Errorf("%+v", list)
	}
}

// typedIn types a slip in with a picture, after what is wrong with others was told.
func (h *house) typedIn(t *testing.T, f record.KeptFile) (v console.SlipView) {
	t.Helper()
	at := time.Now().Add(-3 * time.Hour)
	for body, want := range map[string]int{
		strings.Replace(slipBody("1.0", at, ""), "b-1", "b-9", 1):         404,
		slipBody("1,0", at, ""):                                           409,
		slipBody("1.0", time.Now().Add(time.Hour), ""):                    409,
		slipBody("1.0", time.Now().AddDate(0, 0, -32), ""):                409,
		slipBody("1.0", at, `, "weighed_by": "zoe"`):                      409,
		slipBody("1.0", at, `, "picture": "`+strings.Repeat("0", 64)+`"`): 409,
		slipBody("1.0", at, `, "colour": "blue"`):                         422,
	} {
		h.ask(t, "POST", "slips", body, want, nil)
	}
	clock := at.Add(61 * time.Minute).Format("2006-01-02 15:04")
	h.ask(t, "POST", "slips", slipBody("21.3400", at, `, "slip_clock": "`+clock+`", "picture": "`+f.SHA256+`"`), 200, &v)
	if v.State != "waiting" || v.Value.Digits != "21.3400" || v.Value.PrintedUnit != "g" || v.Origin != record.OriginalSlip || *v.Picture != f || v.Context.Person.ID != "ada" {
		t.Fatalf("%+v", v)
	}
	if !strings.HasPrefix(v.Note, "The slip's clock is 6") || !strings.HasSuffix(v.Note, " min ahead of the time given.") {
		t.Error(v.Note)
	}
	if kept := h.kept(t); len(kept) != 1 || kept[0] != f.SHA256 {
		t.Errorf("%v", kept)
	}
	return v
}

// askedAbout has the balance print, and types in what it printed.
func (h *house) askedAbout(t *testing.T) {
	t.Helper()
	h.printEach(t)
	w := all[record.Weighing](t, h, record.KindWeighing)
	at := w[len(w)-1].Stamp.UTC.Time()
	if said := h.ask(t, "POST", "slips", slipBody("12.345", at, ""), 409, nil); !strings.Contains(said, "It may be there already") || !strings.Contains(said, w[len(w)-1].ID) {
		t.Error(said)
	}
	var v console.SlipView
	h.ask(t, "POST", "slips", slipBody("12.345", at, `, "sure": true`), 200, &v)
	if len(v.Alike) != 1 || v.Alike[0].ID != w[len(w)-1].ID {
		t.Errorf("%+v", v.Alike)
	}
	h.ask(t, "POST", "slips", slipBody("12.345", at.Add(-5*time.Minute), ""), 200, nil)
}

// decided has a slip confirmed, once the wrong ones have been told so.
func (h *house) decided(t *testing.T, slip console.SlipView) {
	t.Helper()
	to := "slips/" + slip.ID
	if said := h.ask(t, "POST", to+"/decide", `{"confirmed": true, "by": "ada"}`, 409, nil); !strings.Contains(said, "typed it in: another person") {
		t.Error(said)
	}
	h.ask(t, "POST", to+"/decide", `{"confirmed": false, "by": "ben"}`, 422, nil)
	h.ask(t, "POST", "slips/"+slip.ID+"9/decide", `{"confirmed": true, "by": "ben"}`, 404, nil)
	if got := h.ask(t, "GET", to+"/picture", "", 200, nil); got != string(picture(t)) {
		t.Errorf("%d bytes", len(got))
	}
	before := h.ask(t, "GET", "entry?id="+slip.ID, "", 200, nil)
	var v console.SlipView
	h.ask(t, "POST", to+"/decide", `{"confirmed": true, "by": "ben"}`, 200, &v)
	if v.State != "confirmed" || v.Decided.By.ID != "ben" {
		t.Errorf("%+v", v)
	}
	h.ask(t, "POST", to+"/decide", `{"confirmed": false, "reason": "no", "by": "cho"}`, 409, nil)
	if entry := func(s string) string {
		_, rest, _ := strings.Cut(s, `"entry":`)
		rest, _, _ = strings.Cut(rest, `,"seq"`)
		return rest
	}; entry(before) == "" || entry(before) != entry(h.ask(t, "GET", "entry?id="+slip.ID, "", 200, nil)) {
		t.Error("the entry of the slip is another one now")
	}
	var list struct{ Slips []console.SlipView }
	h.ask(t, "GET", "slips?state=waiting", "", 200, &list)
	if len(list.Slips) != 2 {
		t.Errorf("%d wait", len(list.Slips))
	}
}
