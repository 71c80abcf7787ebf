# Encodes and decodes by pymodbus what the test writes, one JSON object a line, and answers each with one.
import json
import struct
import sys

from pymodbus.constants import Endian
from pymodbus.payload import BinaryPayloadBuilder, BinaryPayloadDecoder

# Bytes within a register, registers within a value.
ORDERS = {
    "big": (Endian.Big, Endian.Big),
    "little": (Endian.Little, Endian.Little),
    "swapped": (Endian.Big, Endian.Little),
    "byteswapped": (Endian.Little, Endian.Big),
}
NAMES = {
    "u16": "16bit_uint", "s16": "16bit_int", "u32": "32bit_uint", "s32": "32bit_int",
    "u64": "64bit_uint", "s64": "64bit_int", "f32": "32bit_float", "f64": "64bit_float",
    "bcd16": "16bit_uint", "bcd32": "32bit_uint", "text": "string",
}
FLOATS = {"f32": (">f", ">I"), "f64": (">d", ">Q")}


def from_text(kind, text):
    """Returns the value that pymodbus takes: floats come as the whole number of their bits."""
    if kind == "text":
        return text
    if kind in FLOATS:
        as_float, as_bits = FLOATS[kind]
        return struct.unpack(as_float, struct.pack(as_bits, int(text)))[0]
    if kind.startswith("bcd"):
        return int(text, 16)  # each decimal digit is a nibble
    return int(text)


def to_text(kind, value):
    if kind == "text":
        return value.decode().rstrip("\0")
    if kind in FLOATS:
        as_float, as_bits = FLOATS[kind]
        return str(struct.unpack(as_bits, struct.pack(as_float, value))[0])
    if kind.startswith("bcd"):
        return "%x" % value
    return str(value)


for line in sys.stdin:
    case = json.loads(line)
    kind, registers = case["type"], case["registers"]
    byteorder, wordorder = ORDERS[case["words"]]
    builder = BinaryPayloadBuilder(byteorder=byteorder, wordorder=wordorder)
    getattr(builder, "add_" + NAMES[kind])(from_text(kind, case["value"]))
    decoder = BinaryPayloadDecoder.fromRegisters(registers, byteorder=byteorder, wordorder=wordorder)
    size = [2 * len(registers)] if kind == "text" else []
    value = getattr(decoder, "decode_" + NAMES[kind])(*size)
    print(json.dumps({"registers": builder.to_registers(), "value": to_text(kind, value)}))
