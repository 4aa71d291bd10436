// Package tap lets a program that has always talked to a balance go on doing so while weighpost reads along. A tap passes what
// the balance sends on to the program, and what the program sends on to the balance, byte for byte. The program finds it as a
// second serial port, as a pseudo-terminal behind a link whose path stays the same, or as a TCP port.
//
//	balance ──▶ port.Line ──┬─▶ handler (reads, records)
//	   ▲                    └─▶ tap ──▶ buffer ──▶ program
//	   └── turn ◀── tap ◀───────────────────────── program
//
// # What is promised
//
// Reading comes first. What the balance sends is copied into a buffer of 16 kB and nothing waits: where the program does not
// take it, whole lines are left out, counted and told as a condition. Half lines are never left out, since a program would
// join what is left to another weight. A program that comes while a line is under way begins with the next one.
//
// One question at a time. What the program sends is a question: it takes a turn ([port.Turns]) like everybody who asks this
// balance, and waits for a stated time while another question is open; if it has waited too long it is left out and counted. It
// has the balance until its answer is there (a whole line, and 100 ms of silence after it, or the program's next question) or
// until the time for answers has passed. While somebody else has the turn, what the balance sends is not passed on. Whether a
// line goes to the program is decided at its first byte and holds to its end, so that no answer is cut in two; what nobody asked
// for goes to both.
//
// A tap outlives the loss of its balance's port. What the program sends meanwhile is left out and counted, and never sent
// late. Nothing of a pseudo-terminal's or a connection's past is kept for the next program.
//
// A byte that was damaged on the line arrives as NUL, as everywhere in weighpost. Breaks and modem lines are not passed on.
// A second serial port that is held up by its flow control loses what it does not take within its write_timeout; there alone a
// line may be cut.
package tap
