// Package port brings bytes from balances: from serial ports, and from device servers, raw or of RFC 2217. It owns opening,
// settings, reading, writing, noticing that a port went and opening it again. It does not know lines, layouts or weighings.
//
// Three layers:
//
//   - [Config] says where the bytes come from and how the line is set. Check names every mistake in it, Open opens it once.
//   - [Port] is one open port: read with a deadline, write with a limit, close from anywhere.
//   - [Line] keeps a port open for as long as its context lives, and tells a [Handler] what happens. Everything is called
//     from the goroutine of Line.Run: Up, then any number of Bytes and Idle, then Down, then perhaps Up again. A half line
//     received before Down must not be joined to what follows the next Up: the handler drops it.
//
// Bytes carry an [Arrival]: when the read that gave them returned, when the reader last found the port empty, and how long
// the last of them may have waited in between, which is what a time bound needs after a stall. A reader that was held up
// knows it by itself; that the whole process was late or frozen is known from [Stalls].
//
// # Two drivers
//
// A serial port has two drivers under one test suite.
//
//   - native (Linux, the default there): os.OpenFile without blocking, termios through golang.org/x/sys/unix, deadlines and
//     waiting through the runtime's poller. Measured with 256 ports at 10 lines/s each on a 2-core Linux machine: 7.7 % of a
//     core and 5 threads; 1,000 ports work; Close frees a blocked reader in 51 µs; a write has a limit even when flow
//     control is stuck; XON/XOFF and RTS/CTS both work.
//   - library (everywhere else, and on Linux if asked for): go.bug.st/serial, which is portable. On Linux, same load: 18.9 % of
//     a core and 260 threads; it panics past 1,023 descriptors (some 340 ports), cannot free a blocked write, has no flow
//     control, and hung in 2 of 9 stress runs when one port closed while another opened. The adapter here closes the
//     library's port only when nobody reads from it, which is why its Close may take 50 ms, and turns a write that does not
//     return into an error.
//
// The numbers are in the project's measurements of November 2026, of both drivers on pseudo-terminals.
//
// # Device servers
//
// With tcp:// bytes pass as they are, and the line is set at the server. With rfc2217:// this package speaks Telnet (RFC 854, 855,
// 856) and sets the line: speed, data bits, parity, stop bits and flow control are sent, and no byte counts before the server has
// confirmed each. Another value, a refused option or none of the answers within dial_timeout is a [Trouble]; a server that
// later says that a setting is another one has its connection ended. DTR and RTS are raised, modem lines are told and
// switched ([Modem]), and FLOWCONTROL-SUSPEND and RESUME hold back what is sent. 1.5 stop bits count as 2 where a character has
// five bits, which is what the usual circuits make of them, and nowhere else. Parity and framing errors, lost bytes and breaks are
// asked for; a report does not say which byte it is about, so that all that came in one piece with it, and what follows
// within the latency, counts as damaged: see [Arrival].Vague and ErrDamage. A server need not report anything (pyserial's does
// not): a damaged byte then looks like a good one, as with tcp. What opening sends is Telnet and meant for the server; where the
// address is that of a raw one, its balance gets those some fifteen bytes at each attempt.
//
// A server that went without a word (half-open TCP) is noticed within twice keep_alive and 3 s: by probes while nothing was
// sent, and after a write by what the kernel says of it (on Linux; elsewhere by an option of the system, compiled and not run).
// A server that is alive and takes nothing keeps its connection. The files: telnet.go and telnetoptions.go know no clock and no
// connection, comport.go has the commands, comopen.go the opening, comdamage.go the marks, rfc2217.go the port, connection.go
// the watch over TCP.
//
// # What opening does to a port
//
// Opening takes the port for us alone (flock, and TIOCEXCL, which root may ignore), puts it in raw mode and raises DTR and
// RTS; a pseudo-terminal answers the latter with ENOTTY, which is not an error. Bytes that already wait are read, not thrown
// away. A byte with a parity or framing error arrives as NUL, which no layout reads as part of a weight; the driver native
// also says which bytes these are, and where breaks came. Closing throws away
// what was not sent yet, since draining could wait for ever for a balance that is switched off, and does not put back the
// settings that the port had before.
package port
