//go:build unix

package fleet

import (
	"os"
	"testing"
	"time"

	"weighpost/gateway/needs/chromium"
)

// shots keeps pictures of the pages in WEIGHPOST_SHOTS, for somebody to look at; without it no browser is started.
func shots(t *testing.T, at, entry string) {
	t.Helper()
	dir := os.Getenv("WEIGHPOST_SHOTS")
	if dir == "" {
		return
	}
	seat := chromium.Sit(t, 3*time.Minute, at+"/")
	for _, width := range []int{390, 1440} {
		seat.Size(width, 900)
		for name, path := range map[string]string{"gateways": "/", "gateway": "/gateway/seed-store-0001/" + incarnation, "weighed": "/weighed",
			"happened": "/happened", "entry": "/entry" + entry, "nothing": "/weighed?site=nowhere"} {
			seat.Visit(path)
			seat.Shoot(name+"-"+map[int]string{390: "narrow", 1440: "wide"}[width], true)
			if wide := seat.Says("document.documentElement.scrollWidth"); width == 390 && wide != "390" {
				t.Errorf("%s is %s pixels wide in a window of 390", path, wide)
			}
		}
	}
}
