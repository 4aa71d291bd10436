package watch

import (
	"bufio"
	"context"
	"crypto/tls"
	"encoding/json"
	"fmt"
	"path/filepath"
	"strings"
	"time"
)

// Holder says which balance of a daemon a port belongs to, or "" if none, or if no daemon answers within two seconds.
func Holder(ctx context.Context, page string, pin *tls.Config, token, address string) (balance string) {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	body, err := open(ctx, pin, token, strings.TrimSuffix(page, "/")+"/live")
	if err != nil {
		return ""
	}
	defer body.Close()
	lines := bufio.NewScanner(body)
	lines.Buffer(nil, eventLimit)
	for lines.Scan() {
		data, ok := strings.CutPrefix(lines.Text(), "data:")
		var s state
		if !ok || json.Unmarshal([]byte(data), &s) != nil || s.Site == "" {
			continue
		}
		for _, b := range s.Balances {
			if device(b.Port) == device(address) {
				return b.ID
			}
		}
		return ""
	}
	return ""
}

// device is what a port's name leads to.
func device(address string) string {
	if target, err := filepath.EvalSymlinks(address); err == nil {
		return target
	}
	return address
}

// HeldWords is what to tell somebody who wants to watch a port that weighpost reads.
func HeldWords(address, balance string) string {
	return fmt.Sprintf("weighpost itself reads %s, for the balance %s: use watch without a port", Harmless(address), Harmless(balance))
}
