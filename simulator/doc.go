// Package simulator is a rig that is not there: vessels, engines, leaks and cups that pick
// bags, seen through sensors and registers behind a real Modbus TCP server. It comes before
// acquire, which reads it over the wire as it would read hardware. It shares the layout of
// a rig (config, acquire/sample) with the rest, but no physics and no analysis, so that
// agreement with the figures means something.
//
// The layers, each usable without the next: a Scenario says what happens; a Plant
// integrates it and writes down the Truth; a Rig looks at the plant through the sensors of
// a config.Rig; a Bus answers Modbus requests from the rig's registers; Serve frames them
// for TCP. Fast drives a rig without wire or clock.
package simulator
