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
// Nothing here can write to a device: the transport refuses every function but the four reads
// and device identification.
package modbus
