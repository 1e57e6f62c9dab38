// Package access says who may change something: people with names and passwords, their sessions,
// invitations that work once, bearer tokens for programs that read, and signed links for one
// answer to one alarm.
//
// Store is all of it. What must outlive the process (names, password hashes, invitations, the
// signing key) is one small file that only its owner may read; sessions live in memory and end
// with the process. The file may be changed by another process (bayledger user) at any time: the
// Store looks before it answers.
//
// What hurts: a password hash costs 19 MiB and some tenths of a second on a small machine, so
// hashes are made one at a time and log-ins are slowed by name and by address. A secret is never
// logged and never part of an error.
package access
