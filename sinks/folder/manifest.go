package folder

import (
	"crypto/sha256"
	"encoding/hex"
	"path"
)

// A manifest is one file beside each file, in the form that sha256sum -c reads: one for each rather than one a day, because a
// file is then complete with what proves it as soon as both are there, nothing is ever added to a file that others have read,
// and whoever moves a file on takes its manifest along.
const manifestEnd = ".sha256"

func manifestName(name string) string { return name + manifestEnd }

// manifestOf is the manifest of a file with this content.
func manifestOf(name string, body []byte) []byte {
	sum := sha256.Sum256(body)
	return manifestLine(name, sum[:])
}

// manifestLine has two spaces, for a file that is read as text or as bytes alike, and the name without its folder: it is read
// in the folder. No name of ours holds what sha256sum would escape.
func manifestLine(name string, sum []byte) []byte {
	return []byte(hex.EncodeToString(sum) + "  " + path.Base(name) + "\n")
}
