package http

import (
	"fmt"
	"path/filepath"
	"strings"

	"weighpost/parsers/strict"
)

func (c *Config) checkIdentity(r *strict.Report) {
	switch basic := c.User != "" || !c.Password.IsZero(); {
	case !c.Bearer.IsZero() && basic:
		r.At("bearer").Fault("is given beside user and password: a request carries one of them", "bearer, or user and password")
	case c.OAuth.asked() && (basic || !c.Bearer.IsZero()):
		r.At("oauth").Fault("is given beside bearer, or user and password: a request carries one of them", "oauth alone")
	}
	if (c.User == "") != c.Password.IsZero() {
		r.At("user").Fault("user and password go together", "both, or neither")
	}
	if strings.Contains(c.User, ":") {
		r.At("user").Fault("holds a colon, which ends a user name in basic authentication (RFC 7617 section 2)", "a name without a colon")
	}
	if (c.Certificate == "") != (c.Key == "") {
		r.At("certificate").Fault("certificate and key go together", "both, or neither")
	}
	for key, path := range map[string]string{"ca": c.CA, "certificate": c.Certificate, "key": c.Key} {
		if path != "" && !filepath.IsAbs(path) {
			r.At(key).Fault(fmt.Sprintf("%q is not absolute; the daemon does not run in this folder", path), "/absolute/path.pem")
		}
	}
}
