// Package textline reads devices that send lines of text, unasked or polled, over a serial
// port or a connection, and turns the numbers in them into batches of raw counts. It takes
// a bus from config and hands batches of acquire/sample on to record.
//
// It sends nothing but the poll string that the rig file states, and refuses one that a
// Modbus device could take for a frame.
package textline
