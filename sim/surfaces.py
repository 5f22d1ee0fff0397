"""Radiator, fin stack and cold plate: from geometry and flows to conductances.

Owns what each of them looks like; every parameter can be measured with a rule. All are frozen and pure: the same
flows give the same conductance. Heat capacity, heat pipes and what drives the flows are not known here. All hold for
forced flow; without any the conductance goes to that of standing fluid, and free convection outside is not in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

from sim.convection import duct_w_per_m2_k, fin_efficiency, louvred_colburn
from sim.exchanger import crossflow_unmixed, inlet_w_per_k, wall_w_per_k
from sim.fluids import Fluid

#: How much of the fin's height the louvres take [1]; common practice, no source.
_LOUVRE_SHARE = 0.85


@dataclass(frozen=True)
class Radiator:
    """Flat tubes side by side with louvred fins between, air across. Aluminium, brazed."""

    width_m: float
    """Across the tubes [m]."""
    length_m: float
    """Along the tubes [m]: 0.12 for each 120 mm fan in a row."""
    depth_m: float
    """Of tubes and fins along the air [m]; some 2 mm less than the radiator's own depth."""
    tube_count: int
    """How many tubes [1]."""
    passes: int
    """How often the coolant goes up or down [1]: 2 with both hoses at one end."""
    tube_height_m: float
    """Outer height of a tube, across the air [m]."""
    wall_m: float
    """Wall of a tube [m]."""
    fin_pitch_m: float
    """From fin to fin [m]."""
    fin_thickness_m: float
    """Thickness of a fin [m]."""
    louvre_pitch_m: float
    """Width of a louvre along the air [m]."""
    louvre_angle_deg: float
    """Angle of the louvres [deg]."""
    metal_w_per_m_k: float = 200.0
    """Conductivity of the fins [W/(m K)]."""

    @property
    def face_m2(self) -> float:
        """Area that the air meets [m2]."""
        return self.width_m * self.length_m

    @cached_property
    def tube_pitch_m(self) -> float:
        """From tube to tube [m]."""
        return self.width_m / self.tube_count

    @cached_property
    def fin_height_m(self) -> float:
        """Height of a fin from tube to tube [m]."""
        return self.tube_pitch_m - self.tube_height_m

    @cached_property
    def free_m2(self) -> float:
        """Area left to the air between the fins [m2]."""
        height = self.fin_height_m / self.tube_pitch_m
        return self.face_m2 * height * (1.0 - self.fin_thickness_m / self.fin_pitch_m)

    @cached_property
    def fin_m2(self) -> float:
        """Area of the fins, both sides [m2]."""
        fins = self.tube_count * self.length_m / self.fin_pitch_m
        return fins * 2.0 * self.fin_height_m * self.depth_m

    @cached_property
    def bare_m2(self) -> float:
        """Area of the tubes between the fins [m2]."""
        return self.tube_count * 2.0 * self.depth_m * self.length_m * (1.0 - self.fin_thickness_m / self.fin_pitch_m)

    @cached_property
    def tube_inside_m2(self) -> float:
        """Area that the coolant wets [m2]."""
        gap_m, breadth_m = self.tube_height_m - 2.0 * self.wall_m, self.depth_m - 2.0 * self.wall_m
        return self.tube_count * 2.0 * (gap_m + breadth_m) * self.length_m

    @property
    def coolant_m3(self) -> float:
        """Coolant in the tubes, without the end tanks [m3]."""
        gap_m, breadth_m = self.tube_height_m - 2.0 * self.wall_m, self.depth_m - 2.0 * self.wall_m
        return self.tube_count * gap_m * breadth_m * self.length_m

    @property
    def metal_m3(self) -> float:
        """Metal of tubes and fins, without end tanks and frame [m3]."""
        tubes_m3 = self.tube_count * self.tube_height_m * self.depth_m * self.length_m - self.coolant_m3
        return tubes_m3 + 0.5 * self.fin_m2 * self.fin_thickness_m

    @cached_property
    def _colburn(self) -> float:
        """Colburn factor at a Reynolds number of 1 [1]."""
        pitch_m = self.louvre_pitch_m
        return louvred_colburn(
            1.0,
            self.louvre_angle_deg,
            self.fin_pitch_m / pitch_m,
            self.fin_height_m / pitch_m,
            self.depth_m / pitch_m,
            _LOUVRE_SHARE * self.fin_height_m / pitch_m,
            self.tube_pitch_m / pitch_m,
            self.fin_thickness_m / pitch_m,
        )

    def fins_w_per_k(self, air_m3_s: float, air: Fluid) -> float:
        """Conductance from the tubes into the air [W/K]: eta h A with h = j rho v cp Pr^(-2/3).

        Chang and Wang's j falls with Re^-0.49, so h grows with the flow's power of 0.51.

        Args:
            air_m3_s: all the air through it, 0 or more [m3/s]
            air: the air [no unit]

        >>> from sim.fluids import air
        >>> core = Radiator(0.12, 0.12, 0.025, 12, 2, 0.002, 3e-4, 1.4e-3, 8e-5, 1.2e-3, 27.0)
        >>> [round(core.fins_w_per_k(flow, air(30.0)), 1) for flow in (0.0, 0.008, 0.016)]
        [0.0, 29.5, 41.4]
        """
        if air_m3_s <= 0.0:
            return 0.0
        mass_kg_s_m2 = air.density_kg_m3 * air_m3_s / self.free_m2
        j = self._colburn * math.pow(mass_kg_s_m2 * self.louvre_pitch_m / air.mu_pa_s, -0.49)
        h = j * mass_kg_s_m2 * air.cp_j_per_kg_k * math.pow(air.prandtl, -2.0 / 3.0)
        eta = fin_efficiency(h, self.metal_w_per_m_k, self.fin_thickness_m, 0.5 * self.fin_height_m)
        return h * (self.bare_m2 + eta * self.fin_m2)

    def tubes_w_per_k(self, coolant_m3_s: float, coolant: Fluid) -> float:
        """Conductance from the coolant into the tubes [W/K]; see `sim.convection.duct_w_per_m2_k`.

        Args:
            coolant_m3_s: flow of the loop, 0 or more [m3/s]
            coolant: the coolant [no unit]

        >>> from sim.fluids import water
        >>> core = Radiator(0.12, 0.12, 0.025, 12, 2, 0.002, 3e-4, 1.4e-3, 8e-5, 1.2e-3, 27.0)
        >>> [round(core.tubes_w_per_k(litres * 1e-3 / 60, water(40.0))) for litres in (0.0, 0.5, 1.0)]
        [115, 127, 136]
        """
        gap_m, breadth_m = self.tube_height_m - 2.0 * self.wall_m, self.depth_m - 2.0 * self.wall_m
        each_m3_s = coolant_m3_s * self.passes / self.tube_count
        return self.tube_inside_m2 * duct_w_per_m2_k(each_m3_s, gap_m, breadth_m, self.length_m, coolant)

    def ua_w_per_k(self, air_m3_s: float, coolant_m3_s: float, air: Fluid, coolant: Fluid) -> float:
        """UA from coolant to air [W/K]: fins and tubes in series; the tube's wall is left out (below 0.1 %).

        Args:
            air_m3_s: all the air through it, 0 or more [m3/s]
            coolant_m3_s: flow of the loop, 0 or more [m3/s]
            air: the air [no unit]
            coolant: the coolant [no unit]

        >>> from sim.fluids import air, water
        >>> core = Radiator(0.12, 0.12, 0.025, 12, 2, 0.002, 3e-4, 1.4e-3, 8e-5, 1.2e-3, 27.0)
        >>> round(core.ua_w_per_k(0.016, 1e-3 / 60, air(30.0), water(40.0)), 1)
        31.7
        """
        fins, tubes = self.fins_w_per_k(air_m3_s, air), self.tubes_w_per_k(coolant_m3_s, coolant)
        return fins * tubes / (fins + tubes)

    def inlet_w_per_k(self, air_m3_s: float, coolant_m3_s: float, air: Fluid, coolant: Fluid) -> float:
        """Heat for each kelvin between coolant inlet and air inlet [W/K]: eps C_min, cross-flow, both unmixed, exact.

        Two passes are taken as one.

        Args:
            air_m3_s: all the air through it, 0 or more [m3/s]
            coolant_m3_s: flow of the loop, 0 or more [m3/s]
            air: the air [no unit]
            coolant: the coolant [no unit]

        >>> from sim.fluids import air, water
        >>> core = Radiator(0.12, 0.12, 0.025, 12, 2, 0.002, 3e-4, 1.4e-3, 8e-5, 1.2e-3, 27.0)
        >>> round(core.inlet_w_per_k(0.016, 1e-3 / 60, air(30.0), water(40.0)), 2)
        14.0
        """
        ua = self.ua_w_per_k(air_m3_s, coolant_m3_s, air, coolant)
        return inlet_w_per_k(ua, air.stream_w_per_k(air_m3_s), coolant.stream_w_per_k(coolant_m3_s), crossflow_unmixed)


@dataclass(frozen=True)
class FinStack:
    """Plain fins of a heat sink, air along them; heat comes in at heat pipes or at a base."""

    fin_count: int
    """How many fins lie over each other [1]."""
    width_m: float
    """Width of a fin, across the air [m]."""
    depth_m: float
    """Depth of a fin, along the air [m]."""
    gap_m: float
    """Clear distance between two fins [m]."""
    thickness_m: float
    """Thickness of a fin [m]."""
    reach_m: float
    """How far heat goes in a fin: half the distance between two heat pipes, or the height over the base [m]."""
    rows: int = 1
    """How many stacks the air passes one after the other [1]: 2 for a twin tower."""
    metal_w_per_m_k: float = 200.0
    """Conductivity of the fins [W/(m K)]."""

    @property
    def fin_m2(self) -> float:
        """Area of the fins, both sides [m2]."""
        return 2.0 * self.rows * self.fin_count * self.width_m * self.depth_m

    @property
    def metal_m3(self) -> float:
        """Metal of the fins [m3]."""
        return 0.5 * self.fin_m2 * self.thickness_m

    def fins_w_per_k(self, air_m3_s: float, air: Fluid) -> float:
        """Conductance from the fins' roots into the air [W/K]: eta h A; the entrance begins anew in each row.

        Args:
            air_m3_s: all the air through it, 0 or more [m3/s]
            air: the air [no unit]

        >>> from sim.fluids import air
        >>> twin = FinStack(45, 0.11, 0.045, gap_m=2e-3, thickness_m=4e-4, reach_m=0.015, rows=2)
        >>> [round(twin.fins_w_per_k(flow, air(30.0)), 1) for flow in (0.01, 0.02)]
        [42.7, 45.1]
        """
        h = duct_w_per_m2_k(air_m3_s / self.fin_count, self.gap_m, self.width_m, self.depth_m, air)
        return h * self.fin_m2 * fin_efficiency(h, self.metal_w_per_m_k, self.thickness_m, self.reach_m)

    def inlet_w_per_k(self, air_m3_s: float, air: Fluid) -> float:
        """Heat for each kelvin between the fins' roots and the air that comes in [W/K]: C (1 - exp(-UA / C)).

        Args:
            air_m3_s: all the air through it, 0 or more [m3/s]
            air: the air [no unit]

        >>> from sim.fluids import air
        >>> twin = FinStack(45, 0.11, 0.045, gap_m=2e-3, thickness_m=4e-4, reach_m=0.015, rows=2)
        >>> [round(twin.inlet_w_per_k(flow, air(30.0)), 1) for flow in (0.0, 0.01, 0.02)]
        [0.0, 11.4, 20.0]
        """
        return wall_w_per_k(self.fins_w_per_k(air_m3_s, air), air.stream_w_per_k(air_m3_s))


@dataclass(frozen=True)
class ColdPlate:
    """Fine channels side by side in a metal plate."""

    channel_count: int
    """How many channels, all in parallel [1]; a plate fed in the middle has twice as many, half as long."""
    gap_m: float
    """Width of a channel [m]."""
    height_m: float
    """Height of the fins between the channels [m]."""
    length_m: float
    """Length of a channel [m]."""
    fin_thickness_m: float
    """Thickness of the fins between the channels [m]."""
    metal_w_per_m_k: float = 390.0
    """Conductivity of the plate [W/(m K)]: copper."""

    def film_w_per_k(self, coolant_m3_s: float, coolant: Fluid) -> float:
        """Conductance from the plate into the coolant [W/K]: h (A_base + eta A_fins).

        Args:
            coolant_m3_s: flow of the loop, 0 or more [m3/s]
            coolant: the coolant [no unit]

        >>> from sim.fluids import water
        >>> plate = ColdPlate(50, 3e-4, 3e-3, 0.03, 2e-4)
        >>> [round(plate.film_w_per_k(litres * 1e-3 / 60, water(40.0)), 1) for litres in (0.5, 1.0)]
        [47.7, 50.3]
        """
        h = duct_w_per_m2_k(coolant_m3_s / self.channel_count, self.gap_m, self.height_m, self.length_m, coolant)
        eta = fin_efficiency(h, self.metal_w_per_m_k, self.fin_thickness_m, self.height_m)
        return h * self.channel_count * self.length_m * (self.gap_m + 2.0 * eta * self.height_m)

    def inlet_w_per_k(self, coolant_m3_s: float, coolant: Fluid) -> float:
        """Heat for each kelvin between the plate and the coolant that comes in [W/K]: C (1 - exp(-UA / C)).

        Args:
            coolant_m3_s: flow of the loop, 0 or more [m3/s]
            coolant: the coolant [no unit]

        >>> from sim.fluids import water
        >>> plate = ColdPlate(50, 3e-4, 3e-3, 0.03, 2e-4)
        >>> [round(plate.inlet_w_per_k(litres * 1e-3 / 60, water(40.0)), 1) for litres in (0.0, 0.5, 1.0)]
        [0.0, 25.9, 35.7]
        """
        return wall_w_per_k(self.film_w_per_k(coolant_m3_s, coolant), coolant.stream_w_per_k(coolant_m3_s))
