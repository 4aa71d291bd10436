//go:build !linux

package port

// Unlisted says nothing on this system, where nobody knows of adapters without a port.
func Unlisted() []string { return nil }

// Prober is a service of the operating system that is known to take or try serial adapters.
type Prober struct {
	Program string `json:"program"`
	PID     int    `json:"process"`
	Does    string `json:"does"`
}

// Probers knows none on this system.
func Probers() []Prober { return nil }

// Spared knows nothing on this system.
func Spared(string) (spared, known bool) { return false, false }
