"""Random numbers that are the same for the same names: seeds, streams, and normals drawn in blocks.

Owns every generator of the simulator. Python's `hash()` differs from process to process, so names go through
CRC-32. numpy is imported by the first draw: who only names sensors and faults, such as a bench file, does without it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING
from zlib import crc32

if TYPE_CHECKING:
    import numpy as np

_BLOCK = 2048


def stream(seed: int, *names: str) -> np.random.Generator:
    """A generator of its own for this seed and these names, the same on every machine and in every process.

    Valid for every seed; negative ones are taken modulo 2**64. A new version of numpy may draw other numbers.

    Args:
        seed: any whole number [1]
        names: what the stream is for, most general first [no unit]

    >>> int(stream(1, "room").integers(1000)) == int(stream(1, "room").integers(1000))
    True
    >>> int(stream(1, "room").integers(10**9)) == int(stream(1, "meter").integers(10**9))
    False
    """
    import numpy as np

    words = [seed % 2**64, *(crc32(name.encode()) for name in names)]
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence(words)))


def normals(generator: np.random.Generator) -> Iterator[float]:
    """Standard normal numbers [1] without end. One at a time from numpy would cost ten times as much.

    Args:
        generator: the stream they come from [no unit]

    >>> numbers = normals(stream(1, "example"))
    >>> next(numbers) != next(numbers)
    True
    """
    while True:
        yield from generator.standard_normal(_BLOCK).tolist()


def clipped_normal(generator: np.random.Generator, half_width: float) -> float:
    """One normal number of standard deviation half_width / 2, cut off at +- half_width [its unit].

    Args:
        generator: the stream it comes from [no unit]
        half_width: half of the 95 % interval, 0 or more [any unit]

    >>> -0.5 <= clipped_normal(stream(1, "example"), 0.5) <= 0.5
    True
    """
    return min(max(float(generator.standard_normal()) * half_width / 2, -half_width), half_width)
