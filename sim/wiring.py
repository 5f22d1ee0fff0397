"""What is coupled to what in a linear thermal network, and the matrix that follows.

Owns the matrix as a sum of constant shapes, one for each link, times its conductance or capacity rate:

    C_i dT_i/dt = sum g_ij (T_j - T_i) + sum c_ji (T_j - T_i) + P_i + p_i T_i

g conducts both ways, c is a stream that carries from j to i only, p is a heat input that grows with temperature.
Knows nothing of temperatures and time (network.py).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from sim.expm import Matrix


class Wiring:
    """Nodes, things outside, heat inputs, and links between them.

    Columns of the matrix: nodes [degC], outsides [degC], heat inputs [W]. Rows: the same, then one book for each
    outside and each heat input: the heat that it got or gave, over the heat capacity of all nodes [K], so that the
    matrix is about as large as its fastest rate.

    Args:
        capacities_j_per_k: heat capacity of each node, above 0 [J/K]
        outsides: what has a temperature of its own that nothing here moves [no unit]
        heats: the node that each heat input goes to [no unit]

    Raises ValueError when a capacity is not above 0, KeyError for a heat input to no node.

    >>> wiring = Wiring({"die": 50.0, "fins": 500.0}, ["room"], {"heater": "die"})
    >>> wiring.conduct("paste", "die", "fins", 10.0)
    >>> list(wiring.links), wiring.columns["room"]
    (['heater', 'paste'], 2)
    """

    def __init__(
        self, capacities_j_per_k: Mapping[str, float], outsides: Iterable[str], heats: Mapping[str, str]
    ) -> None:
        for name, j_per_k in capacities_j_per_k.items():
            if not 0 < j_per_k < np.inf:
                raise ValueError(f"heat capacity of {name} must be above 0, got {j_per_k}")
        names = [*capacities_j_per_k, *outsides, *heats]
        self.heats = dict(heats)
        """The node that each heat input goes to."""
        self.links: dict[str, float] = {}
        """What each link has at first [W/K]; a heat input is a link too, with its growth."""
        self.columns = {name: column for column, name in enumerate(names)}
        """Column of the matrix, by name."""
        self.capacities_j_per_k = np.array(list(capacities_j_per_k.values()))
        """Heat capacities of the nodes [J/K]."""
        self.nodes = len(capacities_j_per_k)
        """How many nodes [1]."""
        self.wide = len(names)
        """How many columns that are not books [1]."""
        self.scale_j_per_k = float(self.capacities_j_per_k.sum())
        """What a book of 1 K holds [J/K]."""
        self.size = 2 * self.wide - self.nodes
        """Rows and columns of the matrix [1]."""
        self._constant = self._nothing()
        self._shapes: list[Matrix] = []
        self._stacked: Matrix | None = None
        for heat, node in heats.items():
            row, share = self._receives(node)
            grows = self._nothing()
            for there, part in ((row, share), (self._book(heat), 1.0 / self.scale_j_per_k)):
                self._constant[there, self.columns[heat]] = part
                grows[there, self.columns[node]] = part
            self._add(heat, grows, 0.0)

    def conduct(self, name: str, one: str, other: str, w_per_k: float) -> None:
        """Add a conductance between two nodes, or a node and something outside.

        Raises ValueError when neither is a node or the name is taken, KeyError for a name that is not there.

        Args:
            name: of the link [no unit]
            one: node or outside [no unit]
            other: node or outside [no unit]
            w_per_k: g, 0 or more [W/K]

        >>> wiring = Wiring({"bead": 2.0}, ["gas"], {})
        >>> wiring.conduct("film", "bead", "gas", 1.0)
        """
        if not (self._is_node(one) or self._is_node(other)):
            raise ValueError(f"{name} couples no node")
        shape = self._nothing()
        for here, there in ((one, other), (other, one)):
            row, share = self._receives(here)
            shape[row, self.columns[there]] += share
            shape[row, self.columns[here]] -= share
        self._add(name, shape, w_per_k)

    def carry(self, name: str, path: Sequence[str], w_per_k: float) -> None:
        """Add a stream through nodes that are each well mixed; it ends where it began, or begins and ends outside.

        Each node on the path gets c (T_before - T_node). A chain of n nodes delays by n C/c, spread as the Erlang
        distribution of order n (tanks in series: Levenspiel, Chemical Reaction Engineering; cited from memory).
        What an outside gets is counted from 0 degC, so it says something only once what it gave is taken off;
        `given_off_j` does that.

        Raises ValueError for a path that does neither, KeyError for a name that is not there.

        Args:
            name: of the link [no unit]
            path: what the stream passes, in its order [no unit]
            w_per_k: capacity rate c, 0 or more [W/K]

        >>> wiring = Wiring({"near": 10.0, "far": 10.0}, ["tap"], {})
        >>> wiring.carry("water", ["tap", "near", "far", "tap"], 5.0)
        """
        if len(path) < 3 or self._is_node(path[0]) != self._is_node(path[-1]):
            raise ValueError(f"{name} must end where it began, or begin and end outside")
        if self._is_node(path[0]) and path[0] != path[-1]:
            raise ValueError(f"{name} begins at {path[0]} and ends at {path[-1]}: it would pile up")
        shape = self._nothing()
        for before, here in itertools.pairwise(path):
            row, share = self._receives(here)
            shape[row, self.columns[before]] += share
            if self._is_node(here):
                shape[row, self.columns[here]] -= share
            if not self._is_node(before):
                shape[self._book(before), self.columns[before]] -= 1.0 / self.scale_j_per_k
        self._add(name, shape, w_per_k)

    def matrix(self, values_w_per_k: Sequence[float]) -> Matrix:
        """The matrix [1/s and the like] for these values of the links, in the order of `links`.

        Args:
            values_w_per_k: conductances, capacity rates, growths [W/K]

        >>> wiring = Wiring({"bead": 2.0}, ["gas"], {})
        >>> wiring.conduct("film", "bead", "gas", 1.0)
        >>> wiring.matrix([3.0])[0].tolist()
        [-1.5, 1.5, 0.0]
        """
        if self._stacked is None:
            shapes = [shape.ravel() for shape in self._shapes]
            self._stacked = np.stack(shapes, axis=1) if shapes else np.zeros((self.size**2, 0))
        summed: Matrix = self._stacked @ np.array(values_w_per_k)
        return self._constant + summed.reshape(self.size, self.size)

    def _is_node(self, name: str) -> bool:
        if name in self.heats:
            raise KeyError(f"{name} is a heat input")
        return self.columns[name] < self.nodes

    def _book(self, name: str) -> int:
        return self.wide - self.nodes + self.columns[name]

    def _receives(self, name: str) -> tuple[int, float]:
        """The row that watts into a node or outside go to, and what one watt does there."""
        if self._is_node(name):
            column = self.columns[name]
            return column, 1.0 / float(self.capacities_j_per_k[column])
        return self._book(name), 1.0 / self.scale_j_per_k

    def _nothing(self) -> Matrix:
        return np.zeros((self.size, self.size))

    def _add(self, name: str, shape: Matrix, w_per_k: float) -> None:
        if name in self.links:
            raise ValueError(f"there is a link {name} already")
        if not 0 <= w_per_k < np.inf:
            raise ValueError(f"{name} must be 0 or more, got {w_per_k}")
        self.links[name] = w_per_k
        self._shapes.append(shape)
        self._stacked = None
