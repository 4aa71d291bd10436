// Package index finds entries: by time, kind, balance, person, sample, lot, method, run and the words of their text.
//
// A Filter says which entries are wanted. Filter.Match decides it from an entry alone, so that whoever reads the journal in
// order (an export) needs no index. Commands and the API take a filter by the same names (Flags, ParseQuery).
//
// # Words
//
// The text of an entry is every text in it: reasons, sentences, ids, values, settings; not its schema, and not the bytes
// that it carries in base64. A word is a run of letters and digits; a point or a comma between two digits belongs to the
// word, so that 12.3450 is one; everything else separates words. Ideographs and kana are words of one character each. Upper
// and lower case, composed and decomposed characters, compatibility forms and accents make no difference: Müller, MULLER and
// muller are one word. Longer words are cut to 64 characters.
//
// A filter's text is split in the same way, and an entry matches when it holds all the words, in any order. A word of three
// characters or more followed by * stands for every word that begins so. There is no other syntax: nothing that is put
// between words means anything.
package index
