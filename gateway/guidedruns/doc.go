// Package guidedruns is tests only: procedures are run at the pages of a whole daemon with a real browser, from the request of a lab system to the
// results that it fetches. What the journal then says is held against published examples, and numbers worked out by hand.
package guidedruns
