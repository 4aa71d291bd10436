package journal

import "os"

// thisMachine names this computer, or gives "" where it has no name that stays: machine-id(5) is absent in many containers, and
// says "uninitialized" until the first start is over.
func thisMachine() string {
	id, err := os.ReadFile("/etc/machine-id")
	if err != nil || len(id) > 64 {
		return ""
	}
	return hashMachine(string(id))
}
