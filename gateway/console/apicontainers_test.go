package console

import (
	"bytes"
	"context"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/png"
	"net/http"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

// rack is a register of one container and a heap of one slip, which does nothing but note what it is asked for.
type rack struct{ *treadle }

func (r rack) view(id string) ContainerView {
	return ContainerView{Container: record.Container{ID: id, Sort: "crucible"}, Since: treadleStamp.UTC, By: treadleBy, Unfit: "The container cr-1 is in the run r-7qx3-000017, which is open.",
		InRun: "r-7qx3-000017", Empty: []EmptyMass{{Digits: "21.3400", Unit: "g", At: treadleStamp.UTC, Balance: "b-12", Run: "r-7qx3-000001", Entry: record.EntryRef{Seq: 5, ID: "north-lab/7qx3/b-12/000001"}}},
		Usages: []ContainerUse{{Run: "r-7qx3-000001", Sample: "LOT-1003", At: treadleStamp.UTC}}}
}

func (r rack) Containers(q ContainersAsked) []ContainerView {
	list := []ContainerView{r.view("cr-1"), r.view("cr-2")}
	return list[:min(len(list), q.Limit)]
}

func (r rack) Container(id string) (ContainerView, bool) { return r.view(id), id == "cr-1" }
func (r rack) ContainerSorts() []string                  { return []string{"crucible"} }

func (r rack) RegisterContainers(_ context.Context, list []record.Container, reason string, by record.Actor) (views []ContainerView, err error) {
	for _, c := range list {
		if c.Sort == "" {
			return nil, &record.NotDone{Why: "the container " + c.ID + " needs its sort"}
		}
		views = append(views, r.view(c.ID))
	}
	return views, r.did([]any{"register", list, reason, by})
}

func (r rack) WithdrawContainer(_ context.Context, id, reason string, by record.Actor) (ContainerView, error) {
	if id != "cr-1" {
		return ContainerView{}, record.ErrNoContainer
	}
	return r.view(id), r.did([]any{"withdraw", id, reason, by})
}

const aSlip = "north-lab/7qx3/@/000007"

func (r rack) slip() SlipView {
	l := &record.LateEntered{Head: record.Head{Schema: "weighpost.late-entered/1", ID: aSlip, Seq: 7, Site: "north-lab"}, Balance: record.Balance{ID: "b-12"}, Weighed: treadleStamp.UTC,
		Value: record.Value{Digits: "21.3400", Unit: "g", PrintedUnit: "g", Kind: "unknown", Stability: "unknown", Range: "in"}, Slip: "2026-11-25 11:05", Apart: "3660",
		Origin: record.OriginalSlip, Reason: "weighpost was down", By: treadleBy, Stamp: treadleStamp, Context: record.Context{Person: &record.Learnt{ID: "ada", By: record.ByTyped}, Fields: map[string]string{}}}
	d := &record.LateDecided{Head: record.Head{Schema: "weighpost.late-decided/1", ID: "north-lab/7qx3/@/000008", Seq: 8, Site: "north-lab"}, Balance: l.Balance,
		Entered: record.EntryRef{Seq: 7, ID: aSlip}, Confirmed: true, By: record.Actor{ID: "ben", By: record.ActorPassword}, Stamp: treadleStamp}
	v := SlipView{LateEntered: l, State: "confirmed", Decided: d, Note: "The slip's clock is 61 min ahead of the time given."}
	r.mu.Lock()
	defer r.mu.Unlock()
	for sha, content := range r.files {
		if KeptType(content) == "image/png" {
			l.Picture = &record.KeptFile{Name: "slip.png", SHA256: sha, Bytes: int64(len(content))}
		}
	}
	return v
}

func (r rack) Slips(SlipsAsked) []SlipView { return []SlipView{r.slip()} }

func (r rack) Slip(entry string) (SlipView, bool) { return r.slip(), entry == aSlip }

func (r rack) HoldPicture(name string, content []byte) (record.KeptFile, error) {
	f, err := r.KeepFile(name, content)
	if err == nil {
		err = r.did([]any{"picture", name})
	}
	return f, err
}

func (r rack) EnterSlip(_ context.Context, s SlipEntered, by record.Actor) (SlipView, error) {
	if strings.Contains(s.Digits, ",") {
		return SlipView{}, &record.NotDone{Why: "it has a comma", Field: "digits"}
	}
	return r.slip(), r.did([]any{s, by})
}

func (r rack) DecideSlip(_ context.Context, entry string, confirmed bool, reason string, by record.Actor) (SlipView, error) {
	if entry != aSlip {
		return SlipView{}, record.ErrNoSlip
	}
	return r.slip(), r.did([]any{entry, confirmed, reason, by})
}

const (
	aRegister = `{"containers": [{"id": "cr-1"}, {"id": "cr-2", "sort": "vial"}], "sort": "crucible", "by": "ada"}`
	aWithdraw = `{"reason": "cracked", "by": "ada"}`
	aTyping   = `{"balance": "b-12", "digits": "21.3400", "unit": "g", "weighed": "2026-11-25T10:04:05Z", "reason": "weighpost was down", "by": "ada"}`
	aDecision = `{"confirmed": true, "by": "ben"}`
)

// rackBody is a body that a route of containers or slips takes, or "".
func rackBody(path string) string {
	switch {
	case path == picturesPath:
		return string(pngHeader(4, 3))
	case path == containersPath:
		return aRegister
	case strings.HasPrefix(path, containersPath):
		return aWithdraw
	case path == slipsPath:
		return aTyping
	case strings.HasPrefix(path, slipsPath):
		return aDecision
	}
	return ""
}

// TestAPictureOfASlipIsAPicture: what says that it is one and is not, is of another kind, or would fill a browser, is refused; what is one is given
// out to be saved, under nothing but its own kind.
func TestAPictureOfASlipIsAPicture(t *testing.T) {
	h := open(t)
	as := func(kind string) func(*http.Request) {
		return func(r *http.Request) { r.Header.Set("Content-Type", kind) }
	}
	good := pngOf(t, 4, 3)
	huge := pngHeader(40_000, 40_000)
	for _, c := range []struct {
		kind, body string
		status     int
	}{{"image/png", string(good), 200}, {"image/jpeg", string(good), 422}, {"image/png", "\x89PNG\r\n\x1a\n<script>", 422}, {"image/png", string(huge), 422}, {"image/png", "", 400},
		{"application/pdf", "%PDF-1.7", 415}, {"image/svg+xml", "<svg/>", 415}, {"application/json", "{}", 415}, {"image/png", "\x89PNG" + strings.Repeat("x", record.MostKept), 413}} {
		if resp, answer := send(t, h, "POST", picturesPath+"?name=slip.png", c.body, as(c.kind)); resp.StatusCode != c.status {
			t.Errorf("%s, %d bytes: %d %s", c.kind, len(c.body), resp.StatusCode, answer)
		}
	}
	resp, answer := send(t, h, "GET", slipsPath+"/"+aSlip+"/picture", "", nil)
	if resp.StatusCode != 200 || answer != string(good) || resp.Header.Get("Content-Type") != "image/png" || resp.Header.Get("X-Content-Type-Options") != "nosniff" {
		t.Errorf("%d, %d bytes and not %d: %v", resp.StatusCode, len(answer), len(good), resp.Header)
	}
	if err := CheckPicture(huge); err == nil || !strings.Contains(err.Error(), "at most 100 million are shown") {
		t.Error(err)
	}
}

// TestAnInstantOfAContainerIsOne: when it expires is an instant, or is refused by the description itself.
func TestAnInstantOfAContainerIsOne(t *testing.T) {
	h := open(t)
	for when, status := range map[string]int{`"2026-12-31T00:00:00Z"`: 200, `"2026-12-31"`: 422, `"soon"`: 422, `7`: 422} {
		if resp, answer := send(t, h, "POST", containersPath, `{"containers": [{"id": "a", "expires": `+when+`}], "sort": "vial", "by": "ada"}`, nil); resp.StatusCode != status {
			t.Errorf("%s: %d %s", when, resp.StatusCode, answer)
		}
	}
}

// pngOf is a picture of so many points.
func pngOf(t *testing.T, width, height int) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, width, height))); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// pngHeader is the beginning of a picture that says that it has so many points, with nothing behind it.
func pngHeader(width, height uint32) []byte {
	chunk := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32([]byte("IHDR"), width), height)
	chunk = append(chunk, 8, 0, 0, 0, 0)
	b := append([]byte("\x89PNG\r\n\x1a\n"), 0, 0, 0, 13)
	return binary.BigEndian.AppendUint32(append(b, chunk...), crc32.ChecksumIEEE(chunk))
}
