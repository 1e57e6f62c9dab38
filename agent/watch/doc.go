// Package watch judges: it asks of every reading and of every stride of the account whether
// something is wrong, and says what, where, since when, how much and how surely.
//
// Where the question is logic the answer is a rule (a valve told to shut through which the meter
// turns). Where it is statistical the answer is a sequential test with a stated rate of false
// alarms: each trouble leaves its own mark on the surprises of the account's filter, the bank
// carries that mark for many possible onsets, and likelihoods decide between the causes.
//
// Watch is moved by Sample, Record and Tick, always after the ledger; Tick returns every finding
// that holds, sorted by key. The alarm desk makes events of them. Able says what a bay with its
// instruments can find at all, Explain what the evidence is at the moment.
//
// What will hurt: a finding holds the bay's learning, so a false one starves the account; a
// level on a quiet night is flat because all is well; and a test that has just been restarted
// knows nothing of what came before.
package watch
