// Package modbus reads the field: Modbus TCP, RTU on a serial line and RTU frames over TCP.
//
// A Driver has one goroutine per Link. It asks at whole multiples of each point's interval,
// joins neighbouring registers into the fewest requests, decodes the answers to SI and hands
// every point's Sample on at each of its intervals: good, uncertain or bad with the reason, so
// that time always moves for whoever listens.
//
// What will hurt: an RTU frame does not say which request it answers, so a late answer is told
// from the right one only by leaving the unit alone for a while (Link.Late). A serial line has
// one master: the driver listens first, and where another master speaks it never transmits.
// Requests run in real time whatever the clock; due moments are the clock's.
//
// The transport refuses every function but the four reads and device identification. The one
// exception is coil.go: it shuts the isolation valve of a site whose file enables one.
//
// # How it works inside
//
// One goroutine owns a link: it queues what is due, asks one request at a time, the most urgent
// first, decodes, hands on. The given library (goburrow/modbus) makes and reads the PDUs; sockets
// and lines are ours, because its transporters take a late answer for the next one, never replace
// a broken connection, and hang on an unplugged adapter. traps_test.go has a test for each of
// twenty such traps, which shows first that the library by itself falls into it.
//
//   - An RTU answer does not say which request it answers: after a time-out a unit is left alone
//     for late. What comes later than time-out and late together can be taken for the next answer;
//     the test shows both sides of that bound.
//   - A line is listened to before the first request (ears.go, sniff.go). A sound frame that is no
//     answer of ours, or three bursts without any, is another master. Then nothing is sent until
//     it has been silent for listen, a minute at least, twice as long each time it comes back
//     within a day, an hour at most; its traffic is decoded for our points meanwhile.
//   - A unit that fails give_up times in a row is tried again after 2, 4, 8 .. 60 s, with its
//     smallest request, in a pause of the line.
//   - A request refused with exception 2 or 3 is divided until the refusal stands at one point,
//     which is then asked for seldom.
//   - RS-485 direction control is the kernel's (port.go, rs485_linux.go). A pseudo terminal has none,
//     so the tests see what the call is given and that a refusal is told, not a transceiver turn.
//   - check judges a line by playing it (load.go): due moments, joined requests, frames and
//     silences on the wire, turnaround.
package modbus
