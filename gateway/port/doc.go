// Package port brings bytes from balances: from serial ports and from raw TCP device servers. It owns opening, settings,
// reading, writing, noticing that a port went and opening it again. It does not know lines, layouts or weighings.
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
// # What opening does to a port
//
// Opening takes the port for us alone (flock, and TIOCEXCL, which root may ignore), puts it in raw mode and raises DTR and
// RTS; a pseudo-terminal answers the latter with ENOTTY, which is not an error. Bytes that already wait are read, not thrown
// away. A byte with a parity or framing error arrives as NUL, which no layout reads as part of a weight; the driver native
// also says which bytes these are, and where breaks came. Closing throws away
// what was not sent yet, since draining could wait for ever for a balance that is switched off, and does not put back the
// settings that the port had before.
package port
