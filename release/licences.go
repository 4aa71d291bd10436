package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"github.com/google/licensecheck"
	"golang.org/x/mod/module"
)

// licenceText is what one module says of its licence.
type licenceText struct {
	path, version, sum string
	ids                []string // SPDX
	files              []file   // licences and notices, as they are
}

var licenceName = regexp.MustCompile(`(?i)^(licen[cs]e|copying|notice|patents)([-._].*)?$`)

// licenceTexts reads the licences of all modules in a program off the modules themselves. One without any is an error: what nobody
// has licensed cannot be given on.
func (tr tree) licenceTexts(b built) (list []licenceText, err error) {
	cache, err := say(tr.root, "go", "env", "GOMODCACHE")
	if err != nil {
		return nil, err
	}
	goroot, err := say(tr.root, "go", "env", "GOROOT")
	if err != nil {
		return nil, err
	}
	for _, m := range b.modules() {
		dir := goroot
		if m.Path != "std" {
			if dir, err = moduleFolder(cache, m.Path, m.Version); err != nil {
				return nil, err
			}
		}
		text := licenceText{path: m.Path, version: m.Version, sum: m.Sum}
		if text.files, err = licenceFiles(dir); err != nil {
			return nil, fmt.Errorf("the licence of %s: %w", m.Path, err)
		}
		if len(text.files) == 0 {
			return nil, fmt.Errorf("the module %s has no licence that could be given on: do without it", m.Path)
		}
		text.ids = recognised(text.files)
		list = append(list, text)
	}
	return list, nil
}

func moduleFolder(cache, path, version string) (string, error) {
	path, err := module.EscapePath(path)
	if err != nil {
		return "", err
	}
	version, err = module.EscapeVersion(version)
	return filepath.Join(cache, filepath.FromSlash(path)+"@"+version), err
}

func licenceFiles(dir string) (list []file, err error) {
	names, err := os.ReadDir(dir)
	for _, n := range names {
		if err != nil || n.IsDir() || !licenceName.MatchString(n.Name()) {
			continue
		}
		var data []byte
		data, err = os.ReadFile(filepath.Join(dir, n.Name()))
		list = append(list, file{name: n.Name(), data: data})
	}
	return list, err
}

// recognised lists the licences that texts are, where three quarters of one are words of licences that are known. A grant of patents
// is no licence, and has no name in SPDX's list.
func recognised(files []file) (ids []string) {
	for _, f := range files {
		if strings.HasPrefix(strings.ToLower(f.name), "patents") {
			continue
		}
		found := licensecheck.Scan(f.data)
		if found.Percent < 75 {
			continue
		}
		for _, m := range found.Match {
			if !slices.Contains(ids, m.ID) {
				ids = append(ids, m.ID)
			}
		}
	}
	slices.Sort(ids)
	return ids
}

// joined is all of it in one text.
func joined(texts []licenceText) []byte {
	var b bytes.Buffer
	b.WriteString("weighpost holds the modules below. Their licences and notices follow, as they are in each.\n")
	for _, t := range texts {
		fmt.Fprintf(&b, "\n%s\n%s %s\n", strings.Repeat("=", 100), t.path, t.version)
		for _, f := range t.files {
			fmt.Fprintf(&b, "\n--- %s\n\n%s\n", f.name, bytes.TrimRight(f.data, "\n"))
		}
	}
	return b.Bytes()
}
