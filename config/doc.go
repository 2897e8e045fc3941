// Package config turns rig and trial files into typed values, once, at the edge. It comes
// before acquire and analyze: nothing behind it parses text or guesses a unit.
package config
