// Package seen is tests only: every page of the console as a browser shows it before a whole daemon, at the sizes of a phone, a desk
// and a bench, in light and dark, on paper and by keys alone, held against the rules of axe-core.
package seen
