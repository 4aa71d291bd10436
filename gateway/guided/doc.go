// Package guided is tests only: balances of three kinds (asked, with a print key, sending all the time) are checked at the pages of a whole
// daemon with a real browser, fail, are judged, adjusted and put back; what the journal then says is held against numbers worked out by hand.
package guided
