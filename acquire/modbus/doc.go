// Package modbus polls the devices of one Modbus bus and turns their registers, coils and
// discrete inputs into batches of raw counts. It takes a bus from config and hands batches
// of acquire/sample on to record.
//
// It reads, and cannot do otherwise: there is no call that writes, and the last step
// before the wire refuses every function code but the four that read.
//
// Sources, all of modbus.org: [AP] MODBUS Application Protocol Specification V1.1b3 (2012);
// [SL] MODBUS over Serial Line Specification and Implementation Guide V1.02 (2006);
// [TG] MODBUS Messaging on TCP/IP Implementation Guide V1.0b (2006).
package modbus
