// Package review owns what happens to runs after their steps are done: who submits, returns, reviews, approves, corrects, replaces
// and archives them, and by which rules.
package review
