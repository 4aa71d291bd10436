package main

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"net/url"
	"runtime/debug"
	"strings"
	"time"
)

// The list of parts (SBOM) is a document of CycloneDX 1.6 (ECMA-424), https://cyclonedx.org/docs/1.6/json/. Names of packages are
// those of the package-url specification, type golang.
type (
	bom struct {
		Format     string      `json:"bomFormat"`
		Spec       string      `json:"specVersion"`
		Serial     string      `json:"serialNumber"`
		Version    int         `json:"version"`
		Metadata   metadata    `json:"metadata"`
		Components []component `json:"components"`
	}
	metadata struct {
		Timestamp string    `json:"timestamp"`
		Component component `json:"component"`
	}
	component struct {
		Type       string          `json:"type"`
		Ref        string          `json:"bom-ref"`
		Name       string          `json:"name"`
		Version    string          `json:"version"`
		Licenses   []licenseChoice `json:"licenses,omitempty"`
		Purl       string          `json:"purl,omitempty"`
		Evidence   *evidence       `json:"evidence,omitempty"`
		Properties []property      `json:"properties,omitempty"`
	}
	evidence struct {
		Licenses []licenseChoice `json:"licenses"`
	}
	licenseChoice struct {
		License struct {
			ID string `json:"id"`
		} `json:"license"`
	}
	property struct {
		Name  string `json:"name"`
		Value string `json:"value"`
	}
)

// parts is the list of parts of a program, and the text of the licences of all of them. What is in it is what the Go tool wrote into the
// program itself; the licences are those that the modules' own files were recognised as, which is evidence and no legal advice.
func (tr tree) parts(b built, t target) (list, licences []byte, err error) {
	texts, err := tr.licenceTexts(b)
	if err != nil {
		return nil, nil, err
	}
	main := component{Type: "application", Ref: "weighpost", Name: "weighpost", Version: b.Main.Version, Licenses: choices([]string{"Apache-2.0"}),
		Properties: []property{{"commit", tr.commit}, {"target", t.String()}, {"go", b.GoVersion}}}
	for _, s := range b.Settings {
		if strings.HasPrefix(s.Key, "GO") || strings.HasPrefix(s.Key, "-") || s.Key == "CGO_ENABLED" {
			main.Properties = append(main.Properties, property{"build:" + s.Key, s.Value})
		}
	}
	out := bom{Format: "CycloneDX", Spec: "1.6", Serial: serial(tr.commit + " " + t.String()), Version: 1,
		Metadata: metadata{Timestamp: tr.time.Format(time.RFC3339), Component: main}}
	for _, text := range texts {
		c := component{Type: "library", Ref: text.purl(), Name: text.path, Version: text.version, Purl: text.purl()}
		if text.sum != "" {
			c.Properties = []property{{"go.sum", text.sum}} // h1: is the SHA-256 of a list of the SHA-256 of its files, and of no one file
		}
		if len(text.ids) > 0 {
			c.Evidence = &evidence{choices(text.ids)}
		}
		out.Components = append(out.Components, c)
	}
	list, err = json.MarshalIndent(out, "", "  ")
	return append(list, '\n'), joined(texts), err
}

func choices(ids []string) (list []licenseChoice) {
	for _, id := range ids {
		var c licenseChoice
		c.License.ID = id
		list = append(list, c)
	}
	return list
}

// serial is a UUID that follows from a text (RFC 9562, version 8), so that the same commit has the same one.
func serial(of string) string {
	h := sha256.Sum256([]byte(of))
	h[6], h[8] = h[6]&0x0f|0x80, h[8]&0x3f|0x80
	return fmt.Sprintf("urn:uuid:%x-%x-%x-%x-%x", h[0:4], h[4:6], h[6:8], h[8:10], h[10:16])
}

// modules lists the modules in a program: what was really linked, where one stands for another, and Go's own library.
func (b built) modules() (list []debug.Module) {
	list = append(list, debug.Module{Path: "std", Version: strings.TrimPrefix(strings.Fields(b.GoVersion)[0], "go")})
	for _, m := range b.Deps {
		if m.Replace != nil {
			m = m.Replace
		}
		list = append(list, *m)
	}
	return list
}

func (t licenceText) purl() string {
	return "pkg:golang/" + strings.ToLower(t.path) + "@" + url.QueryEscape(t.version)
}
