"""What becomes of bytes on a serial line whose two sides run at different speeds: a receiver's view of the bits.

Pure computation; knows no port.
"""

from __future__ import annotations

from collections.abc import Iterator


def misread(data: bytes, sent_baud: int, read_baud: int) -> bytes:
    """What a receiver at one speed makes of bytes sent at another, without a pause, and with nothing after them.

    Start bit low, 8 data bits with the lowest first, stop bit high; the receiver looks at the middle of each bit after
    the falling edge of a start bit, and then waits for the next one. Valid for any speeds above 0.
    Source: how asynchronous serial receivers work, common practice, no source.

    Args:
        data: as sent [no unit]
        sent_baud: speed of the sender [bit/s]
        read_baud: speed of the receiver [bit/s]

    >>> misread(b"41.2", 9600, 9600), misread(b"U", 4800, 9600)
    (b'41.2', b'f\\xe6')
    """
    if sent_baud == read_baud:
        return data
    line = [bit for byte in data for bit in (0, *((byte >> place) & 1 for place in range(8)), 1)]
    return bytes(_bytes_on(line, sent_baud / read_baud))


def _bytes_on(line: list[int], per_bit: float) -> Iterator[int]:
    """The bytes seen on a line; `per_bit` [1]: bits of the line in one of the receiver."""
    at, was = 0.0, 1
    while at < len(line):
        level = line[int(at)]
        if was == 0 or level == 1:
            # No edge here: look again at the next bit of the line.
            at, was = float(int(at) + 1), level
            continue
        middles = [int(at + (place + 1.5) * per_bit) for place in range(8)]
        yield sum((line[middle] if middle < len(line) else 1) << place for place, middle in enumerate(middles))
        at += 9.5 * per_bit
        was = line[int(at)] if at < len(line) else 1
