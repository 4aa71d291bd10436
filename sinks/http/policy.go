package http

import (
	"errors"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strconv"

	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// What a status can be set to mean.
const (
	accepted = "accepted" // the server has the entry
	again    = "again"    // try again, not before Retry-After where there is one
	refused  = "refused"  // the entry is set aside until a person decides
	stop     = "stop"     // something is wrong with the destination: a person is needed
)

// checkStatuses refuses what is no status, and what would count as delivered something that the server says it has not taken.
func (c *Config) checkStatuses(r *strict.Report) {
	for _, text := range slices.Sorted(maps.Keys(c.Statuses)) {
		at, status, ok := r.At(text), 0, false
		if status, ok = statusOf(text); !ok {
			at.Fault(fmt.Sprintf("%.20q is no status of an answer", text), "200 to 599")
			continue
		}
		switch c.Statuses[text] {
		case again, refused, stop:
		case accepted:
			if !mayAccept(status) {
				at.Fault(fmt.Sprintf("%d says that the server has not taken the entry: counted as delivered it would be lost", status), "again, refused or stop")
			}
		default:
			at.Fault(fmt.Sprintf("%.20q is no meaning of a status", c.Statuses[text]), "accepted, again, refused or stop")
		}
	}
}

func statusOf(text string) (status int, ok bool) {
	status, err := strconv.Atoi(text)
	return status, err == nil && len(text) == 3 && status >= 200 && status <= 599
}

// mayAccept says whether a server that has an entry could answer so: 409 and 412 for one that it has already, 303 and 304 for where it
// is. One that wants another address, another credential or another time has not got it.
func mayAccept(status int) bool {
	switch {
	case status < 300, status == http.StatusSeeOther, status == http.StatusNotModified:
		return true
	case status < 400, status >= 500, about[status] != "":
		return false
	}
	return status != http.StatusRequestTimeout && status != http.StatusTooEarly && status != http.StatusTooManyRequests
}

// decide says what an answer means for the entries that were sent: as the configuration has it, and else as judge has it.
func (c *Config) decide(a *http.Response, said []byte) error {
	switch c.Statuses[strconv.Itoa(a.StatusCode)] {
	case accepted:
		return nil
	case again:
		return later(a.Header, errors.New(says(a, said)))
	case refused:
		return sinks.Refused{Err: errors.New(says(a, said))}
	case stop:
		return sinks.Unusable{Err: fmt.Errorf("%s, at which this destination is set to stop: see statuses in its settings", says(a, said))}
	}
	return judge(a, said)
}
