// Package walked is tests only: what people do at the pages of a whole daemon with a real browser, from the one-time token of the
// first start to signing out; and what each role is offered there and refused.
package walked
