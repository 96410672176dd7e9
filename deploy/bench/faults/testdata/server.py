# A foreign Modbus server (pymodbus): server.py tcp PORT | rtu DEVICE. Lines of standard input set holding registers: ADDRESS=VALUE ...; each is answered with a line when it is done.
import sys
import threading

from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.server import StartSerialServer, StartTcpServer
from pymodbus.transaction import ModbusRtuFramer

slave = ModbusSlaveContext(hr=ModbusSequentialDataBlock(0, [0] * 16), zero_mode=True)


def listen():
    for line in sys.stdin:
        for pair in line.split():
            address, value = pair.split("=")
            slave.setValues(3, int(address), [int(value)])
        print("done", flush=True)


threading.Thread(target=listen, daemon=True).start()
context = ModbusServerContext(slaves={1: slave}, single=False)
print("ready", flush=True)
if sys.argv[1] == "tcp":
    StartTcpServer(context=context, address=("127.0.0.1", int(sys.argv[2])))
else:
    StartSerialServer(context=context, framer=ModbusRtuFramer, port=sys.argv[2], baudrate=115200, timeout=0.02)
