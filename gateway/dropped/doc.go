// Package dropped takes requests and samples that a lab system drops as files into a folder, and says in a file beside each what became
// of it.
//
// A file NAME.json holds one request for a balance's context, or a list (record.ParseDropped); NAME.samples.json and NAME.samples.csv
// announce samples; NAME.requests.json asks for runs of procedures (record.ParseLabRequests). Whoever writes one writes it under another name, which begins with a dot or ends in .part or .tmp, and renames it once
// it is whole. Beyond that a file is taken only when two looks at it, one after the other, saw the same size and time of change.
//
// A file goes from the folder into working/, under a name that begins with an id of its own, and only then is carried out. Each request
// carries a mark of that id, so that the journal tells what was carried out: after a kill at any moment, what is found in working/ is
// looked up there first. Then the answer is written into working/, and file and answer move into taken/ or refused/, in this order, where
// nothing is ever replaced. A file that has an answer in working/ is never carried out again.
//
//	id--NAME.json                      carried out, or being carried out
//	id--NAME.json + id.answer.json     carried out, and to be put away
//	id.answer.json                     the file was put away, and the answer follows
//
// The room takes one file after the other, by name. It takes no new one while it is not known of a request whether it is in the journal,
// or while an answer cannot be written.
package dropped
