//go:build !unix

package mqtt

import "time"

// cpu is not known here.
func cpu() time.Duration { return 0 }
