package guided

import (
	"fmt"
	"strconv"
	"testing"
	"time"

	"weighpost/gateway/needs/chromium"
)

// seat is a browser before the pages of a lab, with one of its people.
type seat struct {
	*chromium.Seat
	l     *lab
	taken int // pictures
}

func sitDown(t *testing.T, l *lab) *seat {
	t.Helper()
	return &seat{Seat: chromium.Sit(t, 5*time.Minute, l.PageURL()), l: l}
}

// is has somebody else before the browser.
func (s *seat) is(person string) {
	s.T.Helper()
	s.Is(s.l.cookies[person])
}

// shoot keeps pictures of the page as a bench screen and a phone have it, where somebody wants some.
func (s *seat) shoot(name string) {
	s.T.Helper()
	if s.Shots == "" {
		return
	}
	s.taken++
	for _, one := range []struct {
		name          string
		width, height int
	}{{"phone", 400, 800}, {"bench", 1280, 800}} {
		s.Size(one.width, one.height)
		s.Until("innerWidth", strconv.Itoa(one.width))
		s.Shoot(fmt.Sprintf("%02d-%s-%s", s.taken, name, one.name), false)
	}
}
