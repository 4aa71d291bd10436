// Package running is tests only: weighpost as a program of its own, killed, stopped, frozen, starved of memory, files and disk,
// and looked after by a supervisor. Each test starts the program, breaks something around it, and holds what it acknowledged
// against the journal and what arrived elsewhere.
//
// It also measures: BenchmarkAgainstTheScript compares the program with the straightforward script, BenchmarkCrowds has it read many
// balances, and TestAWeekOfTrafficTakesUpNothing looks at what it takes up over time.
package running
