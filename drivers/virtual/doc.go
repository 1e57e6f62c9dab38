// Package virtual is a pump house that does not exist: the physics of sub-irrigated bays, the
// controller that fills them, the instruments that watch them and the faults that befall them,
// served as real Modbus. The demo, the tests and the scorecards look at it through the wire
// exactly as they would look at a club's.
//
// Field is the model. It moves on a fixed grid of internal steps and is a pure function of its
// Config, so the same seed gives the same readings however and how often Advance is called; noise
// is a hash of seed, point and step, never a stream that depends on who asked first. Slave
// serves a Field's registers over Modbus TCP and RTU and brings the model up to the injected
// clock before every answer.
//
// What will hurt: Truth knows everything and must never reach the account; give other parts
// samples, records and SiteYAML's nominal figures only. The physics here is written apart from
// agent/water's on purpose (another evaporation law, another storage curve): sharing it would
// test the account against itself.
//
// Everything inside is SI. The sizes of faults are in the unit their row of FaultKinds names,
// because people type them.
package virtual
