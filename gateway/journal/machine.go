package journal

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"strings"
)

// machineName is the row of the table meta that says on which computer the journal lives.
const machineName = "machine"

// hashMachine makes of a computer's id what stands in a journal: it names the computer, and nobody learns the id from it, as
// machine-id(5) asks for. What is not 32 hexadecimal digits, with or without dashes, is no id.
func hashMachine(id string) string {
	id = strings.ToLower(strings.ReplaceAll(strings.TrimSpace(id), "-", ""))
	if raw, err := hex.DecodeString(id); err != nil || len(raw) != 16 || strings.Trim(id, "0") == "" {
		return ""
	}
	mac := hmac.New(sha256.New, []byte(id))
	mac.Write([]byte("weighpost/journal/machine/1"))
	return hex.EncodeToString(mac.Sum(nil)[:16])
}
