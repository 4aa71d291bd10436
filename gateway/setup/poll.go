package setup

import (
	"fmt"
	"strconv"
	"strings"

	"weighpost/gateway/intake"
)

// ParsePoll reads what a balance is to be sent: text, with control characters as escapes of Go's: \r, \n, \x05.
func ParsePoll(text string) ([]byte, error) {
	for _, c := range text {
		if c < ' ' || c > '~' {
			return nil, fmt.Errorf("the poll holds the character %q: write what is not ASCII as an escape, such as \\x05 or \\r\\n", c)
		}
	}
	s, err := strconv.Unquote(`"` + strings.ReplaceAll(strings.ReplaceAll(text, `\"`, `"`), `"`, `\"`) + `"`)
	switch {
	case err != nil:
		return nil, fmt.Errorf("the poll %q has an escape that cannot be read: use \\r, \\n, \\t, \\x05 and, for a backslash, \\\\", text)
	case s == "" || len(s) > intake.MostSent:
		return nil, fmt.Errorf("the poll has %d bytes: it must have 1 to %d", len(s), intake.MostSent)
	}
	return []byte(s), nil
}
