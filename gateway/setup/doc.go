// Package setup is for the first morning of a balance: it finds the settings of its port, and what to see to when nothing
// comes, takes down lines, has a layout learnt from them with what a person knows, and puts the balance into the configuration
// ([AddBalance] strings these together). The command line calls it, and pages can: whoever stands before the balance is a [Person], and ports are opened
// through an [Opener], so that a model of a line can stand in for one.
//
// It owns no port for longer than a step takes, records nothing, and sends a balance nothing that a person did not give.
package setup
