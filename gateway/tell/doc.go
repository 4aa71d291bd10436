// Package tell puts entries of the journal into words for people: the name of a kind, one line of what an entry says, and its
// members spread over the columns of a table. Lists on the command line, exports and pages share these words.
//
// Nothing is left out that an entry says, also in kinds that are newer than this package: RowOf tells every member, by its own name
// where there is no better one. Texts come as the entry has them: whoever shows them sees to it that they are harmless there.
package tell
