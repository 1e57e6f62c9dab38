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
// # The tests
//
// A trouble of unit size leaves a signature on the windows' surprises; it is carried for every
// window of ten days as onset (thinner to forty): loss or gain (L/h), a meter's share (in the
// windows and in the slopes of fills), a single jump, weather. D/J is its size, 1/sqrt(J) its
// uncertainty, D2/2J its log-likelihood ratio (Willsky and Jones 1976). The window under way
// counts as if it closed now, a day's but for what clay draws late.
//
// Threshold: the Shiryaev-Roberts sum of the likelihood ratios over onsets and a grid of sizes
// grows by one a window in the mean while all is well, so the mean time to a false alarm is at
// least the threshold (Pollak 1985). `false pages` of the site file (0.03 for six bays and
// half a year = 0.01 per bay-year) is shared over seven tests; what waits for the morning may be
// wrong ten times as often: log thresholds 13.1 and 10.8. The ratios are Student's in the
// number of windows behind the noise, whose width is the mean of 25 as stated and those the
// site has seen (West and Harrison 1997), and as much more as three days of them have been
// further off together: over a season windows lean the same way for days. The guards below are for what the noise does not know:
//
//   - twenty to one against the weather (step of twice the method's uncertainty, or of its own part
//     where other bays show the rest); a gain also against a jump, and twenty to
//     one by what follows on the day it began in and the next: hand watering nobody recorded,
//     after which wet clay draws less for a day; or by hours that show it to go on, as much likelier
//     than a hose at any moment (steady.go);
//   - a loss shows in two windows, or in both halves of the last;
//   - large losses: every stretch of the last hours, unsettled ends by the modelled lead, the
//     other bays' median taken off, more lost than 1.2 of reference evaporation, both halves; what
//     pages shows after half an hour, all else after one and a half; after three in a bay's first
//     three days, and none within four hours of hand watering on record. For what pages, what a bay
//     lost before its last fill, when its level was known best, and since are two readings of one
//     loss (steady), and the lead's bound counts;
//     three tenths of evaporation, give or take as much, may come two hours late;
//   - most other bays do not show the same.
//
// A storage curve is wrong by a factor. What should have been held as a and is read as b lies
// ln(b/a)/Rel deviations off, so its part of a variance is Rel times the logarithmic mean of
// the two; or, for a large loss, the factor is a rectangle of root three deviations (GUM
// 4.3.7), and what is missing beyond its end is judged without it. So with a chamber's lead: either
// the model's, 35 % wrong in all fills alike, or nothing for water that is fresher at the end than
// at the start, for a chamber that fills drain through does not stand below its bay.
//
// What is small and stays shows beside the other bays (beside.go): whole days, dawn
// to dawn, each set against the same day of up to five others by a straight line of
// its own, for clay that gives slowly answers a hot day by less, and by how high each
// stands; the middle of at least three is expected. What began at some dawn leaves its
// signature on those surprises: a meter's share of what it counted, together with the
// slopes of fills, or a steady loss. A day counts for three deviations at most, so that
// a hose and the day after it are not enough; the width is what the other bays' days
// show, for the first days as for the last. A level that has moved, and evaporation far
// steeper there than is usual, must be twenty to one less likely; so must what a bay that has come to live
// higher since may lose more there (a twentieth a millimetre), and a litre lift it otherwise. Named by what a litre
// lifts the level by, by days with and without a fill and by the nights, twenty to one: a
// meter's share, else a loss or gain, which may be a drift's; while the meter is neither,
// a loss is unexplained. The bank tells first; while it does, this is silent.
//
// The main meter (mainhabit.go): main - sum of bays = sum of share x fed + rest x hours + the
// last pulse's error, by a Kalman filter between moments at which nothing has run for 12
// minutes, in parts wherever other bays run than before, if stops of fills have shown that the totals are read
// within 10 s of each other. Onsets carry a signature for every bay's meter, the main's and a loss before the
// bays; the one comparison that shows most, up to a pause in which the main stood still, counts no more than the
// next (a hose), twenty to one between causes. What was found is taken into the habit, so the same test sees the meter put right. A
// bay's meter the main clears is no cause of a loss.
//
// It ends when half of the size it was found at is twenty to one unlikely over as long as it
// took to see. Named: loss = leak, or two causes and what would decide (overflow at its crest,
// or a fast loss that has not yet been seen to go on as the water sinks; a meter nearly as
// likely; a drift under a centimetre a day), or with more causes an unexplained loss; gain =
// weeping, or a drift unless the main meter counts it; equal and opposite on neighbours =
// seepage, also where only one is found and the other shows as much since, downhill (mirrors), or where both
// together show what neither does alone (pairs); meter = a
// share twenty to one likelier, and so by its fills alone, since a balance may be the evaporation's.
// Causes fall away and do not come back.
//
// Some hours' balance is as unsure as what the same bay has strayed by on its days before (stray.go): a
// large loss counts only beyond that. One that its own next hours show to be over, twenty to one, is
// withdrawn then; it was no liner's, which does not heal, and counts as such a day. It may have been the
// clay's, which drinks in the evening: the habit is made as unsure of that as the loss was, or while a
// finding keeps it from learning it would be told every evening anew.
//
// # The rules
//
// Rules, where the question is logic. Each learns what it needs from the bay's own habit and says
// so in its comment:
//
//   - a valve is stuck open when two pulses are counted after its travel (as stated, or as its
//     fills have run on; before the first fill a second look is asked for, or more than an open valve
//     lets in during its travel) and no other bay's valve may be what feeds it; without command, when
//     the fill has let in over a third of the room to the crest beyond what its fills leave (RestM), or
//     nearly half of all the room there was, twice its uncertainty beyond at least; before three have shown
//     where they leave it, by half of all the room past where another stopped, or with the chamber over the
//     crest; only a reading says that it has stopped, so a gap ends nothing;
//   - stuck shut when it asked, was free and its turn was due (learned: Wait). Without command and set
//     point it asks while its chamber stands under where its fills began (AskM: to some tenths of a millimetre,
//     where they began at once; one never filled yet, as far under where it was first seen as any of three others,
//     a band at least), and is told when it has asked in vain and stands, in or out of its window, a band
//     and a half under the lowest of its last three days: a set point lowered unseen by as much looks the
//     same, and is what the words ask for first. Where one bay is filled at a time and another may have asked
//     for half as long, either may hold up the other: then after two hours. There the other bays' fills tell as
//     well: a valve that is open in vain holds them up (two held up tell at once), and while they come as they
//     are asked for the set point was lowered (told then three bands under);
//   - an overflow is told once an episode, and only of metered water; what a stuck valve left
//     behind when it was shut is explained;
//   - overfill is told five minutes after more was let in above the band than is unsure, or when a bay
//     above its band has gone on rising for ten by what no meter counts, with the time to the crest; drying when a bay has been low, and free to be filled, for an hour (a whole
//     band low) or two beyond its turn, with the time until the surface is dust; the latter only where set point or
//     command is read, for one may have been lowered unseen;
//   - an overflow has slipped when a loss the bank found stops at a level below the band while
//     nothing is let in: a liner goes on losing; or when more of what was let in is gone than the
//     bay is short of and weather and clay can have taken. Until the loss has shown which, a fast
//     one is a leak or the overflow's;
//   - a chamber is slow when its rise at the end of three fills lags behind its habit (of a
//     shorter one in proportion), two when each lies four deviations of such fills off, one when it
//     lies six below the least there was and the chamber rises still: no storage curve enters;
//   - frost by the night's trend (Parton and Logan 1981, and the root of the hours since sunset, Brunt
//     1932), down to sunrise or to when the last two nights were coldest, and by how the day before went,
//     each weighed by what it knows; not under the dew point less four degrees, and with the lowest of the
//     last nights as what was to be expected: a summer's first frost takes more to be believed. What lies on the
//     ground is two to five degrees colder in a clear calm: by how clear the sky was, how clear the site's days are, and by
//     how much more the air falls than in its nights under such a sky; and by the wind that is left in the night's lull,
//     as the last nights' dropped. It is told when in the next six hours, or once it is dark by sunrise, the ground
//     is likelier to freeze than not by three to one, and urgent
//     (agent/alarm) from nineteen to one; in a closed season only while a chamber or the line still shows
//     water. From the forenoon on the coming night is noted, for information, with its probability from one
//     in five: the air falls as far to the night's lowest as it did in the last nights, further under a clear sky and less
//     from a cold evening as that site's nights teach, by their own scatter;
//   - a frozen level by metered rise after four minutes of water, or evaporation; a dead meter by
//     fills only the level saw: three, two where the valve was told to open, one where the main
//     meter counted the water;
//   - what an open loss or gain has come to is its mean rate since its onset times the hours, and a
//     loss no more than was let in and held;
//   - wiring: a command that turns another bay's meter, two fills that lift another bay's chamber;
//     the main meter against the bays only while nothing has run for 12 minutes, or where it is known to be read
//     with them.
package watch
