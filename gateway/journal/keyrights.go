package journal

import (
	"fmt"
	"os"
	"runtime"
)

// keyRights says in a sentence that others than its owner may read the key that signs, or "". On Windows the mode tells nothing
// of that.
func keyRights(d disk, dir string) string {
	if _, real := d.(osDisk); !real || runtime.GOOS == "windows" {
		return ""
	}
	info, err := os.Stat(in(dir, keyName))
	if err != nil || info.Mode().Perm()&0o077 == 0 {
		return ""
	}
	return fmt.Sprintf("the key of the journal, %s, can be read by others (mode %o): who reads it can sign as this journal. Run: chmod 600 %s, and "+
		"change the key (weighpost journal rotate-key) if somebody may have read it", in(dir, keyName), info.Mode().Perm(), in(dir, keyName))
}
