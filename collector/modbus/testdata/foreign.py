# A foreign Modbus server: pymodbus, with each type in each order as its own payload builder lays it out.
# foreign.py tcp PORT | rtu DEVICE: prints the list of values as JSON, then serves until it is ended.
import json
import sys

from pymodbus.constants import Endian
from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.payload import BinaryPayloadBuilder
from pymodbus.server import StartSerialServer, StartTcpServer
from pymodbus.transaction import ModbusRtuFramer

ORDERS = {
    "ABCD": (Endian.Big, Endian.Big),
    "CDAB": (Endian.Big, Endian.Little),
    "BADC": (Endian.Little, Endian.Big),
    "DCBA": (Endian.Little, Endian.Little),
}
TYPES = {
    "int16": ("add_16bit_int", [0, 1, -1, -32768, 12345]),
    "uint16": ("add_16bit_uint", [0, 65535, 27648]),
    "int32": ("add_32bit_int", [-123456, -2147483648, 2147483647]),
    "uint32": ("add_32bit_uint", [100000, 305419896, 4294967295]),
    "int64": ("add_64bit_int", [-2, 1234567890123, -9007199254740992]),
    "uint64": ("add_64bit_uint", [1234567890123, 9007199254740992]),
    "float32": ("add_32bit_float", [1.0, -2.5, -118.625, 16384.5]),
    "float64": ("add_64bit_float", [1.0, 123.456, -1e-300]),
}


def layout():
    registers, values = [], []
    for order, (byte, word) in ORDERS.items():
        for kind, (method, numbers) in TYPES.items():
            for number in numbers:
                b = BinaryPayloadBuilder(byteorder=byte, wordorder=word)
                getattr(b, method)(number)
                values.append({"type": kind, "order": order, "start": len(registers), "value": number})
                registers += b.to_registers()
        for kind, method, word_value, number in (
            ("bcd16", "add_16bit_uint", 0x1234, 1234),
            ("bcd32", "add_32bit_uint", 0x12345678, 12345678),
        ):
            b = BinaryPayloadBuilder(byteorder=byte, wordorder=word)
            getattr(b, method)(word_value)
            values.append({"type": kind, "order": order, "start": len(registers), "value": number})
            registers += b.to_registers()
    b = BinaryPayloadBuilder(byteorder=Endian.Big, wordorder=Endian.Big)
    b.add_string("PUMP 1")
    values.append({"type": "text", "order": "ABCD", "start": len(registers), "text": "PUMP 1"})
    registers += b.to_registers()
    return registers, values


registers, values = layout()
coils = [int(i % 3 == 0) for i in range(64)]
slave = ModbusSlaveContext(
    co=ModbusSequentialDataBlock(0, coils),
    di=ModbusSequentialDataBlock(0, coils[::-1]),
    hr=ModbusSequentialDataBlock(0, registers),
    ir=ModbusSequentialDataBlock(0, registers),
    zero_mode=True,
)
context = ModbusServerContext(slaves={17: slave}, single=False)
print(json.dumps({"values": values, "coils": coils}), flush=True)
if sys.argv[1] == "tcp":
    StartTcpServer(context=context, address=("127.0.0.1", int(sys.argv[2])))
else:
    StartSerialServer(context=context, framer=ModbusRtuFramer, port=sys.argv[2], baudrate=115200, timeout=0.05)
