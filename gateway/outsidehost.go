package gateway

import (
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

	"weighpost/gateway/config"
	"weighpost/parsers/strict"
)

// What belongs to the host does not change through the API: where the journal is, where the page listens, which name the site
// has, whose signed settings are pulled, and which files weighpost reads and writes. Without that, whoever may change a sink could have the daemon read any file
// that it can read as a password, and send it somewhere.
var (
	hostSections = []string{"site", "page", "central"}
	// pathKeys name files and folders of the host.
	pathKeys = []string{"folder", "ca", "certificate", "key", "pseudo_terminal", "requests_folder", "file"}
)

// The folders beside the configuration file in which the API may name files: somebody on the host has put them there for that.
const (
	secretsFolder = "secrets"
	layoutsFolder = "layouts"
)

// outsideHost finds what a document says of the host that the one before does not say. Layout files that are about to be written are
// nobody's yet.
func outsideHost(file string, before, after map[string]any, unwritten config.Unwritten) (faults strict.Faults) {
	for _, key := range hostSections {
		if !reflect.DeepEqual(before[key], after[key]) {
			faults = append(faults, strict.Fault{Path: key, What: "belongs to the host, and is changed in the file there"})
		}
	}
	o := onHost{dir: filepath.Dir(file), known: map[string]bool{}}
	for path := range unwritten {
		o.known[kindOfPath("balances[0].layout")+"\x00"+path] = true
	}
	o.walk("", "", before, func(path, _, text string) { o.known[kindOfPath(path)+"\x00"+text] = true; o.known["\x00"+text] = true })
	o.walk("", "", after, func(path, key, text string) {
		if what, allowed := o.refuse(kindOfPath(path), key, text); what != "" {
			faults = append(faults, strict.Fault{Path: path, What: what, Allowed: allowed})
		}
	})
	return faults
}

type onHost struct {
	dir   string
	known map[string]bool // by path without numbers, a zero byte and the text; with an empty path: at any
}

// walk goes through all texts of a document.
func (o onHost) walk(path, key string, doc any, each func(path, key, text string)) {
	switch v := doc.(type) {
	case map[string]any:
		for _, k := range slices.Sorted(maps.Keys(v)) {
			o.walk(strings.TrimPrefix(path+"."+k, "."), k, v[k], each)
		}
	case []any:
		for i, one := range v {
			o.walk(fmt.Sprintf("%s[%d]", path, i), key, one, each)
		}
	case string:
		each(path, key, v)
	}
}

// refuse says why a text may not come through the API, or "".
func (o onHost) refuse(kind, key, text string) (what, allowed string) {
	_, secret := strict.SecretFrom(text)
	switch {
	case secret == nil:
		path, isFile := strings.CutPrefix(text, "file:")
		if o.known["\x00"+text] || isFile && o.within(secretsFolder, path) {
			return "", ""
		}
		return "names a secret that is not in use, and lies outside of the folder " + secretsFolder + " beside the configuration file",
			"file:" + filepath.Join(o.dir, secretsFolder) + "/NAME, or one that is in use"
	case o.known[kind+"\x00"+text]:
		return "", ""
	case kind == "sinks.address": // of a printer in the network
		return "", ""
	case key == "layout" && kind != "sinks.line.layout": // there it is the text of one
		if path := filepath.Join(o.dir, text); filepath.IsLocal(text) && o.within(layoutsFolder, path) {
			return "", ""
		}
		return "is a file that is not in use, and lies outside of the folder " + layoutsFolder + " beside the configuration file", layoutsFolder + "/NAME"
	case slices.Contains(pathKeys, key) || strings.HasSuffix(key, "_file") || strings.HasSuffix(key, "_folder"):
		return "names a file or a folder of weighpost's own computer that no setting names yet",
			"one that a setting names already; another one is written into the configuration file there first, which is read anew"
	case key == "device" && !strings.HasPrefix(filepath.ToSlash(filepath.Clean(text)), "/dev/hidg"):
		return "is no keyboard that a computer plays at its USB gadget port", "/dev/hidg0, or what the configuration file on weighpost's own computer names"
	case key == "address" && !strings.Contains(text, "://") && !device(text):
		return "is no serial device", "/dev/…, COM3, tcp://host:port, rfc2217://host:port"
	}
	return "", ""
}

// device says whether a text names a serial device, and not any file.
func device(text string) bool {
	return strings.HasPrefix(filepath.ToSlash(filepath.Clean(text)), "/dev/") || strings.HasPrefix(strings.ToUpper(text), "COM") && !strings.ContainsAny(text, `/\.`)
}

// within says whether a path leads to a file in a folder beside the configuration file, links included. The file has to be there.
func (o onHost) within(folder, path string) bool {
	root, err := filepath.Abs(filepath.Join(o.dir, folder))
	if err != nil {
		return false
	}
	if root, err = filepath.EvalSymlinks(root); err != nil {
		return false
	}
	if path, err = filepath.Abs(path); err == nil {
		path, err = filepath.EvalSymlinks(path)
	}
	if err != nil {
		return false
	}
	rel, err := filepath.Rel(root, path)
	if err != nil || !filepath.IsLocal(rel) {
		return false
	}
	info, err := os.Lstat(path)
	return err == nil && info.Mode()&fs.ModeType == 0
}
