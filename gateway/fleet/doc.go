// Package fleet holds tests and benchmarks, and nothing else: many gateways at once that deliver to one stream of NATS servers, each with
// a journal, a key and a connection of its own.
//
// A gateway here is what delivers, and no more: the sink and package deliver as the daemon runs them, over a journal in memory that
// numbers, encodes, hashes and signs as the journal on disk does. Ports, clock and pages are left out: how much they take is measured
// where one daemon is. The far end believes nobody: it makes each journal's tree anew from what the stream holds.
//
//	go test ./gateway/fleet -run '^$' -bench Fleet -benchtime 1x -timeout 60m
//
// gateway/help/pages/growth.md says what follows from the numbers.
package fleet
