"""A slave on pymodbus: units 1 and 2, four tables. Prints "ready" when it serves.

Debian's package wants serial_asyncio even where it is not used, so an empty one stands in for it.
The serial slave is pymodbus' framer, decoder and data store on a port of pyserial.
"""
import asyncio, sys, types
sys.modules.setdefault("serial_asyncio", types.SimpleNamespace(create_serial_connection=None))
import serial
from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.factory import ServerDecoder
from pymodbus.server import StartAsyncTcpServer
from pymodbus.transaction import ModbusRtuFramer


def unit(base):
    return ModbusSlaveContext(
        di=ModbusSequentialDataBlock(0, [i % 2 for i in range(100)]),
        co=ModbusSequentialDataBlock(0, [i % 3 == 0 for i in range(100)]),
        hr=ModbusSequentialDataBlock(0, [base + i for i in range(100)]),
        ir=ModbusSequentialDataBlock(0, [base + 500 + i for i in range(100)]),
        zero_mode=True)


slaves = {1: unit(1000), 2: unit(2000)}


async def tcp(port):
    serve = StartAsyncTcpServer(ModbusServerContext(slaves=slaves, single=False), address=("127.0.0.1", port))
    print("ready", flush=True)
    await serve


def rtu(device):
    port = serial.Serial(device, baudrate=19200, parity="N", timeout=0.002)
    framer = ModbusRtuFramer(ServerDecoder(), client=None)

    def answer(request):
        response = request.execute(slaves[request.unit_id])
        response.unit_id, response.transaction_id = request.unit_id, request.transaction_id
        port.write(framer.buildPacket(response))

    print("ready", flush=True)
    while True:
        data = port.read(256)
        if data:
            framer.processIncomingPacket(data, answer, list(slaves), single=False)


if sys.argv[1] == "tcp":
    asyncio.run(tcp(int(sys.argv[2])))
else:
    rtu(sys.argv[2])
