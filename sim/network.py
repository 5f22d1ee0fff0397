"""A linear thermal network with transport, solved exactly on a grid of 1 s, with its energy books.

Owns temperatures, time, propagators, and the heat that has gone in and out. Knows nothing of coolers, flows or loads:
it is given conductances, capacity rates, temperatures and watts. What is coupled to what stands in wiring.py.

With all of them constant the solution is exp(M h), and M also integrates what is exchanged (Van Loan, Computing
integrals involving the matrix exponential, IEEE Trans. Automatic Control 23, 1978; cited from memory), so heat in,
heat stored and heat given off come from separate rows and none of them from the balance.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import NamedTuple

import numpy as np

from sim.expm import Matrix, expm
from sim.wiring import Wiring

#: Times closer together than this are one [s].
_SAME_S = 1e-9
_DIGITS = 9
#: So many step lengths are kept while no link changes [1].
_KEEP = 64


class Heat(NamedTuple):
    """A heat input P = w + growth_w_per_k (T - at_c), with T of the node that it goes to."""

    w: float
    """At the temperature `at_c` [W]."""
    growth_w_per_k: float = 0.0
    """dP/dT [W/K]."""
    at_c: float = 0.0
    """Where P is w [degC]."""


class Network:
    """A wired network and the time that it has lived through.

    The state goes from whole second to whole second in one exact step; in between it is looked up by one exact step
    from the last whole second (or from the last time when something was really changed within it). So the state at a
    time does not depend on how often one looked.

    Args:
        wiring: complete; no link may be added later [no unit]
        outsides_c: temperature of each thing outside [degC]
        start_c: temperature of all nodes at first, or of each [degC]

    >>> wiring = Wiring({"die": 50.0, "fins": 500.0}, ["room"], {"heater": "die"})
    >>> wiring.conduct("paste", "die", "fins", 10.0)
    >>> wiring.conduct("air", "fins", "room", 5.0)
    >>> network = Network(wiring, {"room": 20.0}, start_c=20.0)
    >>> network.set_heat("heater", Heat(100.0))
    >>> network.advance_to(3600.0)
    >>> round(network.temperature_c("die"), 6), round(network.temperature_c("fins"), 6)
    (50.0, 40.0)
    """

    def __init__(self, wiring: Wiring, outsides_c: Mapping[str, float], start_c: float | Mapping[str, float]) -> None:
        self._wiring = wiring
        self._columns = wiring.columns
        self._nodes = n = wiring.nodes
        names = list(wiring.columns)
        starts = [start_c[name] if isinstance(start_c, Mapping) else start_c for name in names[:n]]
        self._inputs = [*starts, *(0.0 if name in wiring.heats else outsides_c[name] for name in names[n:])]
        self._state = np.array(self._inputs)  # its columns from n on are those of _inputs
        self._start_c = self._state[:n].copy()
        self._books_k = np.zeros(wiring.size - wiring.wide)
        self._kept = [*range(n), *range(wiring.wide, wiring.size)]
        self._links = {name: index for index, name in enumerate(wiring.links)}
        self._values = list(wiring.links.values())
        self._offsets_w = dict.fromkeys(wiring.heats, 0.0)
        self._propagators: dict[float, Matrix] = {}
        self._second = 0
        self._committed_s = 0.0  # within this second: where the state is kept
        self._part_s = 0.0  # within this second: now
        self._left = False  # the hook has been called for this second
        self._shown: list[float] | None = None
        self._seen: Matrix | None = None

    def set_link(self, name: str, w_per_k: float) -> None:
        """Set a conductance or capacity rate from now on; the same value again costs nothing.

        Raises ValueError below 0 or not finite, KeyError for a name that is not there.

        Args:
            name: of the link [no unit]
            w_per_k: 0 or more [W/K]

        >>> wiring = Wiring({"bead": 2.0}, ["gas"], {})
        >>> wiring.conduct("film", "bead", "gas", 1.0)
        >>> network = Network(wiring, {"gas": 100.0}, start_c=0.0)
        >>> network.set_link("film", 0.0)
        >>> network.advance_to(60.0)
        >>> network.temperature_c("bead")
        0.0
        """
        index = self._links[name]
        if self._values[index] == w_per_k:
            return
        if not 0 <= w_per_k < math.inf:
            raise ValueError(f"{name} must be 0 or more, got {w_per_k}")
        self._change(index, w_per_k)

    def set_outside(self, name: str, temperature_c: float) -> None:
        """Set an outside temperature from now on. Raises KeyError for a name that is not there.

        Args:
            name: of the outside [no unit]
            temperature_c: finite [degC]

        >>> network = Network(Wiring({"bead": 2.0}, ["gas"], {}), {"gas": 100.0}, start_c=0.0)
        >>> network.set_outside("gas", 25.0)
        >>> network.outside_c("gas")
        25.0
        """
        self._put(self._columns[name], temperature_c)

    def set_heat(self, name: str, heat: Heat) -> None:
        """Set a heat input from now on. Raises KeyError for a name that is not there.

        Args:
            name: of the heat input [no unit]
            heat: what it gives [W]
        """
        index = self._links[name]
        if self._values[index] != heat.growth_w_per_k:
            self._change(index, heat.growth_w_per_k)
        self._offsets_w[name] = offset_w = heat.growth_w_per_k * heat.at_c
        self._put(self._columns[name], heat.w - offset_w)

    @property
    def t_s(self) -> float:
        """Time since the start [s]."""
        return self._second + self._part_s

    def advance_to(self, t_s: float, at_grid: Callable[[], None] | None = None) -> None:
        """Go on to a time. `at_grid` is called once at each whole second, 0 too, when time is about to leave it.

        There it may look at the state and set links and inputs for the second to come. What is set after arriving at a
        whole second is thus in force when it is called. Times closer than 1e-9 s to a whole second are that second.

        Raises ValueError for a time that goes back.

        Args:
            t_s: the time, at or after `t_s` of now [s]
            at_grid: refreshes for the second to come [no unit]

        >>> network = Network(Wiring({"bead": 2.0}, ["gas"], {}), {"gas": 100.0}, start_c=0.0)
        >>> network.advance_to(2.5, lambda: print(network.t_s))
        0.0
        1.0
        2.0
        """
        second = math.floor(t_s + _SAME_S)
        part_s = max(0.0, round(t_s - second, _DIGITS))
        if (second, part_s) < (self._second, self._part_s):
            raise ValueError(f"time went back from {self.t_s} s to {t_s} s")
        while self._second < second:
            self._leave(at_grid)
            self._commit(1.0)
            self._second += 1
            self._committed_s = self._part_s = 0.0
            self._left = False
        if part_s > self._part_s:
            self._leave(at_grid)
            self._part_s = part_s
            self._shown = self._seen = None

    def temperature_c(self, node: str) -> float:
        """Temperature of a node now [degC]. Raises KeyError for a name that is not there.

        Args:
            node: its name [no unit]
        """
        if self._shown is None:
            self._shown = self._now()[: self._nodes].tolist()
        return self._shown[self._columns[node]]

    def outside_c(self, name: str) -> float:
        """What an outside temperature is set to [degC]. Raises KeyError for a name that is not there.

        Args:
            name: of the outside [no unit]
        """
        return self._inputs[self._columns[name]]

    def heat_w(self, name: str) -> float:
        """What a heat input gives now [W]. Raises KeyError for a name that is not there.

        Args:
            name: of the heat input [no unit]
        """
        growth_w_per_k = self._values[self._links[name]]
        return self._inputs[self._columns[name]] + growth_w_per_k * self.temperature_c(self._wiring.heats[name])

    def put_in_j(self, heat: str) -> float:
        """What a heat input has given since the start [J]. Raises KeyError for a name that is not there.

        Args:
            heat: its name [no unit]
        """
        return self._book_j(heat)

    def given_off_j(self, outside: str) -> float:
        """What an outside has got since the start, less what it gave [J]. Raises KeyError for an unknown name.

        Args:
            outside: its name [no unit]
        """
        return self._book_j(outside)

    def stored_j(self) -> float:
        """What the nodes hold above the start [J]."""
        return float(self._wiring.capacities_j_per_k @ (self._now()[: self._nodes] - self._start_c))

    def needed_heat_w(self, heat: str, node: str, target_c: float) -> float:
        """`w` that the heat input must have so that a node is at a temperature one second from now [W].

        With its present growth, all else as it is set. May be below 0. Raises KeyError for an unknown name.

        Args:
            heat: the heat input [no unit]
            node: that it must bring there [no unit]
            target_c: the temperature to be reached [degC]

        >>> network = Network(Wiring({"die": 50.0}, [], {"heater": "die"}), {}, start_c=20.0)
        >>> round(network.needed_heat_w("heater", "die", 21.0), 9)
        50.0
        """
        column = self._columns[heat]
        row = self._propagator(1.0)[self._columns[node]]
        now = self._state.copy()
        now[: self._nodes] = self._now()[: self._nodes]
        gain_k_per_w = float(row[column])
        missing_k = target_c - float(row @ now)
        return self._inputs[column] + missing_k / gain_k_per_w + self._offsets_w[heat]

    def steady_c(
        self, links_w_per_k: Mapping[str, float] | None = None, heats: Mapping[str, Heat] | None = None
    ) -> dict[str, float]:
        """Where everything would end if it stayed as it is set, by node [degC]; changes nothing.

        Raises ValueError when there is no such end (a node that can pass on its heat to nobody).

        Args:
            links_w_per_k: links to be taken other than they are set [W/K]
            heats: heat inputs to be taken other than they are set [W]

        >>> wiring = Wiring({"die": 50.0}, ["room"], {"heater": "die"})
        >>> wiring.conduct("air", "die", "room", 4.0)
        >>> network = Network(wiring, {"room": 20.0}, start_c=20.0)
        >>> network.steady_c(heats={"heater": Heat(100.0)})
        {'die': 45.0}
        """
        values, state = list(self._values), self._state.copy()
        for name, w_per_k in (links_w_per_k or {}).items():
            values[self._links[name]] = w_per_k
        for name, heat in (heats or {}).items():
            values[self._links[name]] = heat.growth_w_per_k
            state[self._columns[name]] = heat.w - heat.growth_w_per_k * heat.at_c
        matrix, n = self._wiring.matrix(values), self._nodes
        try:
            ends_c = np.linalg.solve(matrix[:n, :n], -matrix[:n, n : self._wiring.wide] @ state[n:])
        except np.linalg.LinAlgError as error:
            raise ValueError("the network has no steady state: a node can give its heat to nobody") from error
        return dict(zip(self._columns, ends_c.tolist(), strict=False))

    def _change(self, index: int, value: float) -> None:
        self._commit(self._part_s)
        self._values[index] = value
        self._propagators.clear()

    def _put(self, column: int, value: float) -> None:
        if self._inputs[column] != value:
            self._commit(self._part_s)
            self._inputs[column] = self._state[column] = value

    def _leave(self, at_grid: Callable[[], None] | None) -> None:
        if not self._left:
            self._left = True
            if at_grid is not None:
                at_grid()

    def _commit(self, part_s: float) -> None:
        """Keep the state at a time within this second, from where it is kept now."""
        if part_s > self._committed_s:
            seen = self._propagator(part_s - self._committed_s) @ self._state
            self._state[: self._nodes] = seen[: self._nodes]
            self._books_k += seen[self._nodes :]
            self._committed_s = part_s
            self._shown = self._seen = None

    def _now(self) -> Matrix:
        """Temperatures now [degC], by column, and further columns that say nothing."""
        return self._state if self._part_s == self._committed_s else self._ahead()

    def _ahead(self) -> Matrix:
        """Temperatures now [degC], then what the books have gained since they were kept [K]."""
        if self._seen is None:
            self._seen = self._propagator(self._part_s - self._committed_s) @ self._state
        return self._seen

    def _book_j(self, name: str) -> float:
        book = self._columns[name] - self._nodes
        gained_k = self._books_k[book]
        if self._part_s > self._committed_s:
            gained_k += self._ahead()[self._nodes + book]
        return float(gained_k) * self._wiring.scale_j_per_k

    def _propagator(self, h_s: float) -> Matrix:
        """From temperatures and inputs to temperatures and gains of the books, h_s later."""
        h_s = round(h_s, _DIGITS)
        found = self._propagators.get(h_s)
        if found is None:
            if len(self._propagators) >= _KEEP:  # ticks at times that never come again
                self._propagators.clear()
            whole = expm(self._wiring.matrix(self._values) * h_s)
            found = self._propagators[h_s] = np.ascontiguousarray(whole[self._kept, : self._wiring.wide])
        return found
