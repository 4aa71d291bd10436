package backup

import (
	"fmt"
	"regexp"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// nameForm is FileName's: site, incarnation, when.
var nameForm = regexp.MustCompile(`^weighpost-([a-z0-9][a-z0-9-]{0,62})-([a-z0-9]{5})-([0-9]{8}t[0-9]{6}z)\.tar$`)

const nameTime = "20060102t150405z"

// FileName names a backup: weighpost-SITE-INCARNATION-20261129t023000z.tar, in UTC. Names sort by time within an incarnation.
func FileName(site, incarnation string, at time.Time) string {
	return fmt.Sprintf("weighpost-%s-%s-%s.tar", site, incarnation, at.UTC().Format(nameTime))
}

// ParseName is the inverse of FileName, and refuses every other name.
func ParseName(name string) (site, incarnation string, at time.Time, ok bool) {
	m := nameForm.FindStringSubmatch(name)
	if m == nil || record.CheckName(m[1]) != nil {
		return "", "", at, false
	}
	at, err := time.Parse(nameTime, m[3])
	return m[1], m[2], at, err == nil && FileName(m[1], m[2], at) == name
}

// tempName is that of a backup that is being written, hidden, and the same for each of one journal: what a cut left behind is
// removed by the next.
func tempName(site, incarnation string) string {
	return strings.ToLower(fmt.Sprintf(".weighpost-%s-%s.part", site, incarnation))
}
