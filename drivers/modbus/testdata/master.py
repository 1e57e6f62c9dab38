"""A master on pymodbus that reads three holding registers of unit 1 until it is ended."""
import sys, time, types
sys.modules.setdefault("serial_asyncio", types.SimpleNamespace(create_serial_connection=None))
from pymodbus.client import ModbusSerialClient
client = ModbusSerialClient(port=sys.argv[1], baudrate=19200, parity="N", timeout=10)
assert client.connect()
print("ready", flush=True)
while True:
    answer = client.read_holding_registers(5, 3, slave=1)
    print(answer.registers if not answer.isError() else answer, flush=True)
    time.sleep(0.05)
