# Serves registers and bits with the pymodbus library: "tcp PORT" or "rtu DEVICE".
# Register a holds a*40503+12345 modulo 65536, bit a is bit 7 of a*40503.
import sys
from pymodbus.server import StartTcpServer, StartSerialServer
from pymodbus.datastore import ModbusSequentialDataBlock, ModbusSlaveContext, ModbusServerContext
from pymodbus.transaction import ModbusRtuFramer

registers = [(a * 40503 + 12345) & 0xFFFF for a in range(3000)]
bits = [bool((a * 40503 >> 7) & 1) for a in range(3000)]
slave = ModbusSlaveContext(
    di=ModbusSequentialDataBlock(0, bits), co=ModbusSequentialDataBlock(0, bits),
    hr=ModbusSequentialDataBlock(0, registers), ir=ModbusSequentialDataBlock(0, registers), zero_mode=True)
context = ModbusServerContext(slaves=slave, single=True)
if sys.argv[1] == "tcp":
    StartTcpServer(context=context, address=("127.0.0.1", int(sys.argv[2])))
else:
    StartSerialServer(context=context, framer=ModbusRtuFramer, port=sys.argv[2], baudrate=115200, parity="N", timeout=0.005)
