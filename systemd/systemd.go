// Package systemd holds the files by which a Linux system runs weighpost as a service: the unit, the user, and the rules for USB
// serial adapters. They can be installed by hand as they are; `weighpost service install` writes the very same.
package systemd

import _ "embed"

// Unit is the unit, for a program in /usr/local/bin and its configuration in /etc/weighpost.
//
//go:embed weighpost.service
var Unit string

// Sysusers is the user that the unit runs as, for systemd-sysusers.
//
//go:embed weighpost-sysusers.conf
var Sysusers string

// Rules are the rules for udev.
//
//go:embed 95-weighpost-serial.rules
var Rules string
