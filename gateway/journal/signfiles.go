package journal

import (
	"fmt"
	"strings"

	"weighpost/gateway/proof"
)

// SignFiles has the key of a journal stand for files, as proof.SignFiles does, and gives the signed note and the text of the public key.
// The journal may be in use: nothing of it is written. It needs the rights of whoever may read the key.
func SignFiles(dir string, files []proof.SignedFile) (signed []byte, public string, err error) {
	dir = folder(dir)
	k, err := readKey(osDisk{}, dir)
	if err != nil {
		return nil, "", err
	}
	// A key that is being replaced at this moment would be no key of the journal any more.
	if text, err := (osDisk{}).ReadFile(in(dir, pubName)); err != nil || strings.TrimSpace(string(text)) != k.public {
		return nil, "", fmt.Errorf("the journal in %s has a key and a public key that do not go together: its key may be changing now; try again", dir)
	}
	signed, err = proof.SignFiles(k.Signer, files)
	return signed, k.public, err
}
