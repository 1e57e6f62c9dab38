// Package agent is the process: it builds every part a site file names, binds and opens what
// can fail, starts them, feeds what the drivers read through the journal and the core, passes
// it on, and stops everything in reverse.
//
// One goroutine (the keeper) commits and moves the core, always in the journal's order; the
// drivers only leave samples in its inbox and never wait. Page and metrics read an immutable
// picture published after every commit.
package agent
