package export

import (
	"net/url"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/index"
)

// Query writes a filter as index.ParseQuery reads it, so that a manifest's filter can be applied again.
func Query(f *index.Filter) string {
	v := url.Values{}
	set := func(name, value string) {
		if value != "" {
			v.Set(name, value)
		}
	}
	instant := func(t time.Time) string {
		if t.IsZero() {
			return ""
		}
		return t.UTC().Format(time.RFC3339Nano)
	}
	number := func(n uint64) string {
		if n == 0 {
			return ""
		}
		return strconv.FormatUint(n, 10)
	}
	kinds := make([]string, len(f.Kinds))
	for i, k := range f.Kinds {
		kinds[i] = string(k)
	}
	set("from", instant(f.From))
	set("to", instant(f.To))
	set("kind", strings.Join(kinds, ","))
	set("balance", f.Balance)
	set("person", f.Person)
	set("sample", f.Sample)
	set("lot", f.Lot)
	set("method", f.Method)
	set("run", f.Run)
	set("text", f.Text)
	set("after", number(f.After))
	set("before", number(f.Before))
	return v.Encode()
}
