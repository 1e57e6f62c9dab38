//go:build race

package modbus

// raceDetector is true when the tests run under it.
const raceDetector = true
