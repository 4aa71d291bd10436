package console

import (
	"encoding/base64"
	"errors"
	"fmt"
	"strings"

	"weighpost/gateway/record"
	"weighpost/gateway/settings"
)

// asked is the body of a request that changes something.
type asked struct {
	by, reason string
	dryRun     bool
	value      any
	layout     map[string]any // beside settings of a balance
	frames     [][]byte
}

// Bounds of the frames that are read by a layout which is only tried.
const (
	mostFrames     = 20
	mostFrameBytes = 4 << 10
)

// framesOf takes frames that were sent along, in base64.
func framesOf(v any) (frames [][]byte, fits bool) {
	list, ok := v.([]any)
	if !ok || len(list) > mostFrames {
		return nil, false
	}
	for _, one := range list {
		text, ok := one.(string)
		if !ok || base64.StdEncoding.DecodedLen(len(text)) > mostFrameBytes+2 {
			return nil, false
		}
		b, err := base64.StdEncoding.DecodeString(text)
		if err != nil {
			return nil, false
		}
		frames = append(frames, b)
	}
	return frames, true
}

// readAsked reads such a body. name is the member beside which the others stand; "": there is none.
func readAsked(b []byte, name string) (a asked, err error) {
	doc, err := settings.Decode(b)
	if err != nil {
		return a, fmt.Errorf("the request %w", err)
	}
	o, ok := doc.(map[string]any)
	if !ok {
		return a, errors.New("the request is no object")
	}
	for key, value := range o {
		fits := true
		switch {
		case key == "by":
			a.by, fits = value.(string)
		case key == "reason":
			a.reason, fits = value.(string)
		case key == "dry_run" && name != "":
			a.dryRun, fits = value.(bool)
		case key == name && name != "":
			a.value, fits = value.(map[string]any)
		case key == "layout" && name == "settings":
			a.layout, fits = value.(map[string]any)
		case key == "frames" && name == "settings":
			a.frames, fits = framesOf(value)
		default:
			return a, fmt.Errorf("%.60q is unknown: a request has %s", key, strings.Join(memberNames(name), ", "))
		}
		if !fits {
			return a, fmt.Errorf("%s is not of the form that it should be", key)
		}
	}
	if name != "" && a.value == nil {
		return a, fmt.Errorf("%s is missing", name)
	}
	return a, a.check()
}

func memberNames(name string) []string {
	if name == "" {
		return []string{"reason", "by"}
	}
	if name == "settings" {
		return []string{name, "layout", "frames", "reason", "by", "dry_run"}
	}
	return []string{name, "reason", "by", "dry_run"}
}

func (a asked) check() error {
	if err := record.CheckReason(a.reason); err != nil {
		return fmt.Errorf("the reason %w", err)
	}
	if a.by != "" {
		if err := record.CheckActorName(a.by); err != nil {
			return fmt.Errorf("by %w", err)
		}
	}
	return nil
}
