// Package simulator is a rig that is not there: volumes, restrictions, engines, leaks and
// cups that pick bags, seen through sensors and registers behind real Modbus and text
// servers. It comes before acquire, which reads it over the wire as it would read hardware.
// It shares the layout of a rig (config, acquire/sample) with the rest, but no physics and
// no analysis, so that agreement with the figures means something.
//
// The layers, each usable without the next:
//
//	scenario, scenariofile, demo  what happens: a Scenario, from a file or built in
//	cycle, trouble                the plan of each pick, drawn from the seed
//	gas, engine, circuit, load    the physics of one piece
//	network, rkc                  volumes and links as one state, and its integration
//	plant, truth                  a Plant runs the plans and writes down the Truth
//	sensor, registers, rig        a Rig looks at the plant through a config.Rig
//	tcp, line, text, pty, port    a Bus answers on sockets, pseudo-terminals and ports
//	faults                        what goes wrong on the way
//	fast                          a rig without wire or clock
package simulator
