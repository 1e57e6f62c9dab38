// Package watch judges: it asks of every reading and of every stride of the account whether
// something is wrong, and says what, where, since when, how much and how surely.
//
// Where the question is logic the answer is a rule (a valve told to shut through which the meter
// turns). Where it is statistical the answer is a sequential test with a stated rate of false
// alarms: each trouble leaves its own mark on the balances the account closes by day and by
// night, the bank carries that mark for many possible onsets, and likelihoods decide between the
// causes.
//
// Watch is moved by Sample, Record and Tick, always after the ledger; Tick returns every finding
// that holds, sorted by key. The alarm desk makes events of them. Able says what a bay with its
// instruments can find at all, Explain what the evidence is at the moment.
//
// What will hurt: a finding holds the bay's learning, so a false one starves the account; a
// level on a quiet night is flat because all is well; and a test that has just been restarted
// knows nothing of what came before.
//
// # The rules
//
// Rules, where the question is logic. Each learns what it needs from the bay's own habit and says
// so in its comment:
//
//   - a valve is stuck open when two pulses are counted after its travel (as stated, or as its
//     fills have run on; before the first fill a second look is asked for) and no other bay's
//     valve may be what feeds it; without command, when the fill has let in over a third of the
//     room to the crest beyond what its fills leave (RestM), twice its uncertainty at least; only a
//     reading says that it has stopped, so a gap ends nothing;
//   - stuck shut when it asked, was free and its turn was due (learned: Wait); without command a
//     band and a half under StartM;
//   - an overflow is told once an episode, and only of metered water; what a stuck valve left
//     behind when it was shut is explained;
//   - overfill is told five minutes after more was let in above the band than is unsure, with the
//     time to the crest; drying when a bay has been low, and free to be filled, for an hour (a whole
//     band low) or two beyond its turn, with the time until the surface is dust;
//   - an overflow has slipped when a loss the bank found stops at a level below the band while
//     nothing is let in: a liner goes on losing; or when more of what was let in is gone than the
//     bay is short of and weather and clay can have taken. Until the loss has shown which, a fast
//     one is a leak or the overflow's;
//   - a chamber is slow when its rise at the end of three fills lags behind its habit, two when
//     each lies four deviations of such fills off: no storage curve enters;
//   - frost by Parton and Logan's night (1981) down to sunrise, or to when the last two nights were
//     coldest, and not under the dew point less four degrees; on a clear calm night, known by its fall, the ground is taken to be two degrees
//     colder; in a closed season only while a chamber or the line still shows water;
//   - a frozen level by metered rise after four minutes of water, or evaporation; a dead meter by
//     fills only the level saw: three, two where the valve was told to open, one where the main
//     meter counted the water;
//   - what an open loss or gain has come to is the account's since its onset, not rate times hours;
//   - wiring: a command that turns another bay's meter, two fills that lift another bay's chamber;
//     the main meter against the bays only while nothing has run for 12 minutes.
package watch
