"""A Modbus device on Debian's libmodbus (package libmodbus5), as a process of its own: `libmodbus_server.py tcp|rtu`.

It prints its port, or the path of its serial line, and serves until its standard input ends. Input registers: 0 and 1
hold 200.25 by IEEE 754, the more significant word first; 2 and 3 the same as libmodbus itself lays it out, the less
significant word first; 4 holds -15. Holding registers 0 to 9 are 0 and take what is written.
"""

from __future__ import annotations

import ctypes
import os
import select
import socket
import sys
import threading
import tty

DEVICE_ID = 17


class Mapping(ctypes.Structure):
    """`modbus_mapping_t` of modbus.h, version 3.1."""

    _fields_ = (
        *((f"{part}{table}", ctypes.c_int) for table in ("bits", "input_bits") for part in ("nb_", "start_")),
        *((f"{part}{table}", ctypes.c_int) for table in ("input_registers", "registers") for part in ("nb_", "start_")),
        *((f"tab_{table}", ctypes.POINTER(ctypes.c_uint8)) for table in ("bits", "input_bits")),
        *((f"tab_{table}", ctypes.POINTER(ctypes.c_uint16)) for table in ("input_registers", "registers")),
    )


def library() -> ctypes.CDLL:
    """libmodbus with the types of what is used here. Raises OSError when it is not installed."""
    found = ctypes.CDLL("libmodbus.so.5", use_errno=True)
    found.modbus_new_tcp.restype = found.modbus_new_rtu.restype = ctypes.c_void_p
    found.modbus_new_tcp.argtypes = (ctypes.c_char_p, ctypes.c_int)
    found.modbus_new_rtu.argtypes = (ctypes.c_char_p, ctypes.c_int, ctypes.c_char, ctypes.c_int, ctypes.c_int)
    found.modbus_mapping_new.restype = ctypes.POINTER(Mapping)
    found.modbus_mapping_new.argtypes = (ctypes.c_int,) * 4
    for name in ("connect", "close"):
        getattr(found, f"modbus_{name}").argtypes = (ctypes.c_void_p,)
    found.modbus_set_slave.argtypes = found.modbus_tcp_listen.argtypes = (ctypes.c_void_p, ctypes.c_int)
    found.modbus_tcp_accept.argtypes = (ctypes.c_void_p, ctypes.POINTER(ctypes.c_int))
    found.modbus_receive.argtypes = (ctypes.c_void_p, ctypes.c_char_p)
    found.modbus_reply.argtypes = (ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int, ctypes.POINTER(Mapping))
    found.modbus_set_float.argtypes = (ctypes.c_float, ctypes.POINTER(ctypes.c_uint16))
    found.modbus_set_float.restype = None
    return found


def serve(modbus: ctypes.CDLL, context: int, mapping: ctypes._Pointer[Mapping], accept: ctypes.c_int | None) -> None:
    """Answer until the process ends, one connection after the other."""
    request = ctypes.create_string_buffer(260)
    while True:
        if accept is not None and modbus.modbus_tcp_accept(context, ctypes.byref(accept)) == -1:
            return
        while (size := modbus.modbus_receive(context, request)) != -1 or accept is None:
            if size > 0:
                modbus.modbus_reply(context, request, size, mapping)
        modbus.modbus_close(context)


def line() -> tuple[str, str]:
    """Two pseudo-terminals whose far ends are joined: the names of their near ends."""
    pairs = [os.openpty() for _ in range(2)]
    for _, near in pairs:
        tty.setraw(near)
    (one, _), (other, _) = pairs

    def join() -> None:
        while True:
            for far in select.select([one, other], [], [])[0]:
                os.write(other if far == one else one, os.read(far, 1000))

    threading.Thread(target=join, daemon=True).start()
    return os.ttyname(pairs[0][1]), os.ttyname(pairs[1][1])


def main(kind: str) -> None:
    """Serve until standard input ends."""
    modbus = library()
    mapping = modbus.modbus_mapping_new(0, 0, 10, 10)
    registers = mapping.contents.tab_input_registers
    registers[0], registers[1] = 0x4348, 0x4000
    modbus.modbus_set_float(200.25, ctypes.cast(ctypes.addressof(registers.contents) + 4, type(registers)))
    registers[4] = 0x10000 - 15
    accept = None
    if kind == "tcp":
        context = modbus.modbus_new_tcp(b"127.0.0.1", 0)
        accept = ctypes.c_int(modbus.modbus_tcp_listen(context, 1))
        with socket.socket(fileno=os.dup(accept.value)) as listener:
            place = str(listener.getsockname()[1])
    else:
        own, place = line()
        context = modbus.modbus_new_rtu(own.encode(), 19200, b"N", 8, 1)
        modbus.modbus_set_slave(context, DEVICE_ID)
        modbus.modbus_connect(context)
    threading.Thread(target=serve, args=(modbus, context, mapping, accept), daemon=True).start()
    print(place, flush=True)
    sys.stdin.read()


if __name__ == "__main__":
    main(sys.argv[1])
