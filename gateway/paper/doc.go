// Package paper lays out text on pages and writes them as a PDF (ISO 32000-1), with the fonts in it, black on white. It knows nothing
// of what the text says, and keeps only the page that is being drawn.
//
// Text is hostile: what the fonts have no picture of, or what could not be seen, becomes a red mark with its code point. Nothing is
// left out, nothing is cut off, and what somebody copies out of the document is the text that went in.
package paper
