// Package injected is tests only: ids and names that mean something to whatever they go through are weighed under, and then looked
// for, unchanged and without effect, wherever a weighing goes.
package injected
