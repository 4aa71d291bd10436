package gateway

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"weighpost/gateway/config"
	"weighpost/parsers/strict"
)

// A secret goes where whoever put it there meant it to go. Through the API, nobody has weighpost show it to anybody else: not by
// another address for what holds it, not by a weaker way there, and not by naming it in another part, also where it is in use
// nowhere at the moment. What was never in use may be named, as long as it lies in the folder for that.

// stays lists, for each part of the configuration that holds secrets, the keys that change neither where they go nor how safe
// the way there is. A key that is not listed counts as one that does.
var stays = map[string][]string{
	"sinks": {"id", "entries", "cursor", "batch_size", "batch_age", "deadline", "retry_min", "retry_max", "probe", // all kinds
		"format", "csv", // what the bytes are
		"method", "body", "timeout", "user", // http
		"client_id", "username", "keep_alive", "topic_prefix", "retain", "live", "requests", "self_test", // mqtt
		"subject_prefix", "create", "subjects", "replicas", "retention", "max_age", "max_bytes", "duplicate_window", "in_flight", // nats
		"table",            // postgres
		"name", "manifest", // files on a share or a server
		"group", "node"}, // sparkplug
	"people.directory":  {"bind_dn", "user_dn", "users", "groups", "offline", "recheck", "timeout"},
	"people.openid":     {"client_id", "scopes", "claims", "groups", "algorithms", "skew", "timeout"},
	"journal.timestamp": {"every", "policy", "user"},
}

// heldSecret is a secret at one place of a configuration.
type heldSecret struct {
	at    string // where it is named: sinks[0].bearer
	ref   string // file:/path or env:NAME
	place string // digest of where it goes, and how
}

// secretsOf finds all secrets of a configuration.
func secretsOf(c *config.Config) (all []heldSecret) {
	var look func(path string, doc any)
	look = func(path string, doc any) {
		switch v := doc.(type) {
		case map[string]any:
			harmless, known := stays[kindOfPath(path)]
			if known || namesSecret(v) {
				all = append(all, secretsIn(path, v, harmless)...)
				return
			}
			for _, key := range slices.Sorted(maps.Keys(v)) {
				look(strings.TrimPrefix(path+"."+key, "."), v[key])
			}
		case []any:
			for i, one := range v {
				look(fmt.Sprintf("%s[%d]", path, i), one)
			}
		}
	}
	look("", c.Form(true))
	return all
}

func isSecret(v any) bool {
	text, ok := v.(string)
	_, err := strict.SecretFrom(text)
	return ok && err == nil
}

func namesSecret(o map[string]any) bool {
	return slices.ContainsFunc(slices.Collect(maps.Values(o)), isSecret)
}

// secretsIn are the secrets of one part, which all go where the rest of the part says.
func secretsIn(path string, part map[string]any, harmless []string) (all []heldSecret) {
	where := maps.Clone(part)
	maps.DeleteFunc(where, func(key string, v any) bool { return isSecret(v) || slices.Contains(harmless, key) })
	b, err := json.Marshal(where) // in the order of the keys
	if err != nil {
		b = []byte(err.Error() + path) // like no other place
	}
	sum := sha256.Sum256(b)
	onHost{}.walk(path, "", part, func(at, _, text string) {
		if isSecret(text) {
			all = append(all, heldSecret{at: at, ref: text, place: hex.EncodeToString(sum[:16])})
		}
	})
	return all
}

// kindOfPath is a path without the numbers of items.
func kindOfPath(path string) string {
	var b strings.Builder
	for path != "" {
		before, rest, _ := strings.Cut(path, "[")
		b.WriteString(before)
		_, path, _ = strings.Cut(rest, "]")
	}
	return b.String()
}

// sameSecret says whether two references lead to one secret, by whatever name.
func sameSecret(a, b string) bool {
	if a == b {
		return true
	}
	p, first := strings.CutPrefix(a, "file:")
	q, second := strings.CutPrefix(b, "file:")
	if !first || !second {
		return false
	}
	if filepath.Clean(p) == filepath.Clean(q) {
		return true
	}
	one, err := os.Stat(p)
	if err != nil {
		return false
	}
	other, err := os.Stat(q)
	return err == nil && os.SameFile(one, other)
}

// secretPlaces is where each secret went that a journal's configurations ever named, by its reference: as the latest one said
// that named it.
func secretPlaces(before map[string][]string, latest ...*config.Config) map[string][]string {
	all := maps.Clone(before)
	if all == nil {
		all = map[string][]string{}
	}
	for _, c := range latest {
		now := map[string][]string{}
		for _, s := range secretsOf(c) {
			if !slices.Contains(now[s.ref], s.place) {
				now[s.ref] = append(now[s.ref], s.place)
			}
		}
		maps.Copy(all, now)
	}
	return all
}

// movedSecrets finds the secrets that a change would have sent elsewhere than where they went. before is of all configurations
// that came before the one that holds.
func movedSecrets(before map[string][]string, held, next *config.Config) (faults strict.Faults) {
	known := secretPlaces(before, held)
	for _, s := range secretsOf(next) {
		used, home := false, false
		for ref, places := range known {
			if sameSecret(ref, s.ref) {
				used, home = true, home || slices.Contains(places, s.place)
			}
		}
		if used && !home {
			faults = append(faults, strict.Fault{Path: s.at,
				What:    "would be sent elsewhere than where it went until now, or on a less safe way",
				Allowed: "a secret that was never in use, in the folder " + secretsFolder + " beside the configuration file; or the change in the file on the host"})
		}
	}
	return faults
}
