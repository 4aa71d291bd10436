// Package layout reads what a balance prints by a description that a person can write: a layout. It owns the pieces of a
// line and their meanings, and the sentence that says why a frame is not read. Where frames begin and end is for package
// frame, what a unit weighs for package unit.
//
// A layout is a YAML file. Its heart is a template, one line that looks like what the balance prints:
//
//	about: Bench balance of the germination room, print key, 9600 baud
//	frame:
//	  ends: ["\r\n"]
//	line: "{weight 10} {unit} {kind} {stability}"
//	kind: {net: net, all: gross}
//	stability: {"": unstable, rest: stable}
//	weight:
//	  decimal: comma
//
// reads "   12,3450 g net rest" as 12.3450 g net, stable, and refuses "   12,3x50 g net rest" with the place and the reason.
//
// # Templates
//
// A template is read from left to right, once; there are no choices to come back to, so that a line means one thing or is
// refused. Whatever a line has beyond its template is refused too, blanks at its end excepted.
//
//   - {field 10} takes exactly ten bytes; the blanks around its content are dropped. ({field 10} counts characters wherever
//     a character is one byte, that is in every code page but utf-8.)
//   - {field} without a width ends by itself: digits where the digits end, a word of a table at the longest word that fits,
//     a unit at a blank, other text at a blank or at the text that follows in the template. A template in which that would
//     be a guess is refused.
//   - A blank stands for one blank or more. Before a field with a width it stands for exactly one, since the width holds the
//     padding. Blanks before a line are passed over, unless it begins with a field that has a width, or with a blank before one.
//   - Everything else stands for itself; {{ and }} for braces. Control characters are written in double quotes: "\x02".
//   - A field without a width whose table has the empty word "" may be missing, with the blanks before it.
//
// The fields:
//
//	weight         digits with sign and decimals, or a mark for over or under range        (weight:)
//	unit           the unit's symbol                                                       (unit:)
//	stability      a word for stable, unstable or unknown                                  (stability:)
//	kind           a word for gross, net, tare, preset tare or unknown                     (kind:)
//	range          a word for in, over or under; over and under leave no digits            (range:)
//	range_number   which of several weighing ranges, as printed
//	count          a whole number of pieces printed beside a weight
//	person         the id of who weighs, as printed
//	sample         the sample's name, as printed
//	balance        the balance's own name or number, as printed
//	date           a date; ISO 8601 where its order is given                               (date:)
//	time           the time of day, as printed
//	check          check characters; a frame whose check fails is refused                  (check:)
//	ignore         anything
//	digits         digits that are passed over, such as a running number; a line with anything else there is refused
//
// and two marks that take no bytes: {from} and {to} stand where the bytes begin and end that the check covers. Without them
// it covers the line up to the check.
//
// A layout has one of
//
//	line     one template
//	lines    several, each as "- line:", for a balance that prints one of several lines. A frame that two of them read
//	         differently is refused
//	block    the lines of a print block in order, each as "- line:", with "optional: true" for one that may be missing.
//	         Blank lines between them are passed over
//
// and each line of lines and block, and the layout itself, may say with "means: {kind: net, stability: stable}" what it
// means without printing it.
//
// # Keys
//
//	code_page      utf-8 (default), latin-1, cp437, cp850: literals and words are compared in these bytes
//	frame          ends, start, end, idle_gap, length, max_length, block (first, last, blank_lines, max_lines): see package
//	               frame. By default a line ends with CR LF or LF
//	line_length    how many bytes a line has; any other is refused. It keeps the rest of a cut line from being read
//	weight         decimal: point or comma
//	               decimals: how many digits stand after it, as in [4], or [3, 4] for two ranges; others are refused
//	               grouping: none, space, apostrophe, point or comma, by threes, for whole digits
//	               sign: attached "-12.3", detached "-   12.3", trailing "12.3-"
//	               brackets: none, square, round or angle, about the last, auxiliary digits: "12.345[6]"
//	               over, under: what is printed in place of the weight: ["FULL"]
//	unit           words: {"printed": unit}, beside the symbols that mean one unit everywhere; a unit is named by its UCUM code
//	               always: the unit of a balance that prints none
//	               missing: unstable, where the unit is printed once the weight is stable: a weight without it is not
//	               stable, one with it is; missing_unit: the unit then meant, without which such a weight is refused
//	date           order: day.month.year, year-month-day … ; century: 2000 for years of two digits; months: twelve names
//	check          sum: xor, sum8, crc16-modbus … (package sum); written: hex, raw or decimal; first: high or low byte;
//	               covers_start, covers_end: the frame's start and end bytes too; after_end: it stands after the end bytes
//
// # Promises
//
// A text that is a sign, or ends with one behind a blank, and has the weight behind it, is refused: the sign is the weight's
// where the text is missing or shorter than its field.
//
// Digits stay as printed: only the decimal comma, the grouping and the place of the sign are normalised. A number without a
// unit is no weighing, and an ambiguous unit ("oz") has to be settled by the layout. Apply gives a value or a reason, never
// both, does not allocate for a value, and Print is its inverse.
//
// Apply does not judge where a stream begins: the first frame of a port may be the rest of a cut line, which frame.Frame
// says in Opening. A layout with widths, start bytes, line_length or a check refuses it; one without cannot.
package layout
