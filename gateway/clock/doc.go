// Package clock gives stamps: UTC, how far it may be wrong, and whether that is known. It asks time servers (NTP, RFC 5905),
// believes the interval that most of them agree on, and between two questions runs on the computer's raw monotonic clock,
// which nobody sets and no time daemon slews. It never sets the computer's clock.
//
// # What a server's answer is worth
//
// An answer is an interval: the measured offset ± the root distance, which is half of all delays plus all dispersions (RFC
// 5905 section 8 for offset, delay and dispersion; appendix A.5.5.2 for the root distance). A server that is right has the
// true time in its interval.
//
// # Who is believed
//
// The interval that most servers cover gives the time; where several tie, the lowest. It counts only if more than half of
// the servers that gave a usable answer cover it. Servers whose interval does not cover it are named falsetickers.
//
// Fewer than half of the *configured* servers may be wrong: f = (n-1)/2 of n, rounded down. So that a liar does not win while
// the others are silent, more than f answers are needed, and never one alone unless only one is configured: of three servers
// two, of five three.
//
// The agreed interval may still miss the true time where a liar overlaps a wide but true interval. The bound therefore
// reaches further: to the outermost points that at least a-f of a answers cover. As long as no more than f servers are wrong,
// at least a-f of the answers are true and cover the true time, so the bound contains it, whatever the others say and
// whoever is silent. Where silence makes that wide, the anchor of before is the narrower one and stays.
//
// # Between two agreements
//
// An agreement is an anchor: this reading of the raw clock was that UTC, ± so much. Later the bound is that half width plus
// the declared drift times the raw time since. It is `checked` while the bound is within the ceiling, else `holdover`;
// before the first anchor it is `unchecked`, the system's own clock, and has no bound. A later agreement that overlaps
// becomes the anchor if it is the narrower one. If it does not overlap, one of the two is wrong, and a majority of servers
// is believed rather than our own extrapolation: it becomes the anchor, with an entry and a condition that say by how much
// the stamps were corrected.
//
// # Sleep, steps, leap seconds
//
// The raw clock stands still while the computer sleeps; CLOCK_BOOTTIME does not. After a sleep its length is added, the
// bound grows by what a battery clock may be wrong, and the state is holdover until the servers agree again. A step of the
// system's clock is noted and moves no checked stamp. When an agreeing server has announced a leap second, the bound
// includes it from the end of that month until the next agreement.
//
// Outside Linux there is no raw clock to be had and the Go runtime's monotonic clock stands in: a time daemon may slew it,
// for which 500 ppm are added to the declared drift, and a sleep cannot be told from a step, so that both mean holdover
// with a bound that covers either.
//
// Not noticed before the servers are asked again: a virtual machine that its host froze, a sleep of a computer that has no
// battery clock, and a raw clock that drifts more than declared.
package clock
