"""What hangs on a simulated wire, and what can go wrong on the wire itself.

Owns the seam between the plant and the servers: a `Device` is what a server shows and takes, by name; a `Wire` stands
between the server and whoever is connected, and spoils what passes. Knows no protocol and no plant.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal, TypeAlias, get_args

import numpy as np

from sim.seeds import stream
from sim.sensors import Reading

#: Spoils bytes, whatever they mean: no answer; an answer after `Wire.late_s`; half of one; one with one bit flipped;
#: noise in place of one. Cuts the wire: `unplugged` (the port is gone, or nobody listens), `deaf` (a peer that accepts
#: and never reads or answers, so that the sender's buffer fills in the end). Needs the server's help: `other_device`
#: (an answer that another device gave), `exception` (the device says no), `not_a_number` (the device has no value).
WireFault: TypeAlias = Literal[
    "no_answer",
    "late_answer",
    "cut",
    "flipped_bit",
    "garbage",
    "unplugged",
    "deaf",
    "other_device",
    "exception",
    "not_a_number",
]
WIRE_FAULTS: tuple[WireFault, ...] = get_args(WireFault)


@dataclass(frozen=True)
class Device:
    """What a server shows and takes, by the names that its table gives them."""

    reads: Mapping[str, Callable[[], Reading]]
    """What it measures [its unit]; None: it has no value now; NaN: what it has is not a number."""
    writes: Mapping[str, Callable[[float], None]] = field(default_factory=dict)
    """What it can be told [its unit]; ValueError: it refuses, and nothing changes."""


class Wire:
    """One wire; sound until `fault` says otherwise, which may be switched at any time.

    Args:
        name: chooses the noise [no unit]
        late_s: by how much a late answer comes late [s]

    >>> wire = Wire("meter")
    >>> wire.spoil(b"41.2 dBA")
    b'41.2 dBA'
    >>> wire.fault = "cut"
    >>> wire.spoil(b"41.2 dBA")
    b'41.2'
    """

    def __init__(self, name: str, late_s: float = 0.7) -> None:
        self.fault: WireFault | None = None
        """What is wrong with it now."""
        self.can_have: tuple[WireFault, ...] = WIRE_FAULTS
        """What can go wrong with it; whoever serves it knows."""
        self.late_s = late_s
        self._draw: np.random.Generator = stream(1, "wire", name)

    @property
    def whole(self) -> bool:
        """Whether anything gets through at all: neither unplugged nor deaf.

        >>> Wire("meter").whole
        True
        """
        return self.fault not in ("unplugged", "deaf")

    def spoil(self, answer: bytes) -> bytes:
        """What arrives of an answer, at whatever time.

        Args:
            answer: as the device gave it [no unit]

        >>> wire = Wire("meter")
        >>> wire.fault = "flipped_bit"
        >>> sum((a ^ b).bit_count() for a, b in zip(wire.spoil(b"41.2 dBA"), b"41.2 dBA"))
        1
        """
        match self.fault:
            case "no_answer" | "unplugged" | "deaf":
                return b""
            case "cut":
                return answer[: len(answer) // 2]
            case "flipped_bit" if answer:
                place, bit = divmod(int(self._draw.integers(8 * len(answer))), 8)
                return answer[:place] + bytes([answer[place] ^ 1 << bit]) + answer[place + 1 :]
            case "garbage":
                return self._draw.bytes(max(1, len(answer)))
            case _:
                return answer

    async def answer(self, answer: bytes, send: Callable[[bytes], None]) -> None:
        """Send an answer as the wire lets it through.

        Args:
            answer: as the device gave it [no unit]
            send: puts bytes on the way to whoever asked [no unit]

        >>> wire, sent = Wire("meter"), []
        >>> asyncio.run(wire.answer(b"41.2 dBA", sent.append))
        >>> sent
        [b'41.2 dBA']
        """
        if self.fault == "late_answer":
            await asyncio.sleep(self.late_s)
        passed = self.spoil(answer)
        if passed:
            send(passed)
