"""Pictures of what the simulated bench does: `python -m sim.figures --out DIR`.

Owns which pictures there are and how they look. It computes nothing of its own but steady states and sums of levels,
and is the only module of sim that knows matplotlib. The same code gives the same bytes.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from sim.bench_tables import USUAL
from sim.benches import load_benches
from sim.exchanger import Relation, counterflow, crossflow_unmixed, crossflow_unmixed_approximate
from sim.faults import Fault
from sim.flow import operating_point
from sim.fluids import air
from sim.rig import Rig
from sim.room import EventKind, Room, RoomKind
from sim.sensors import Source
from sim.sound import energy, level_of
from sim.specimens import Specimen, load_specimens

_SEED = 1
_ROOM_C, _LIMIT_C = 23.0, 95.0
_MOST_K = _LIMIT_C - _ROOM_C
_HEATS_W = (120.0, 165.0, 260.0)
_DUTIES_PCT = (100.0, 90.0, 80.0, 70.0, 60.0, 50.0, 42.0, 35.0, 30.0, 25.0, 20.0)
#: The pump where nothing else is said [%].
_PUMP_PCT = 50.0
_BENCH = load_benches()[USUAL]
#: The level as quiet as the night's, the air still and always the same; exactly the watts that are asked for.
_STILL = replace(
    _BENCH.with_exact_load(),
    room=RoomKind(
        background_dba=_BENCH.room.background_dba, swing_db=0.0, drift_k=0.0, ventilation_k=0.0, mean_c=_ROOM_C
    ),
    paste_varies_pct=0.0,
)
_AIR = air(_ROOM_C, 1013.25, 45.0)
_MIN_S, _H_S = 60.0, 3600.0

#: Colours that stay apart for colour-blind eyes: Okabe and Ito, Color Universal Design, 2008; from memory.
_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#000000", "#E69F00", "#56B4E9")
_DASHES: tuple[tuple[int, tuple[float, ...]], ...] = (
    (0, ()),
    (0, (6, 2)),
    (0, (1.5, 1.5)),
    (0, (7, 2, 1.5, 2)),
    (0, (3, 1.5)),
    (0, (7, 2, 1.5, 2, 1.5, 2)),
)
_MARKERS = "osD^vPX"
_WIDE_IN, _DOTS_PER_IN = 9.0, 150
_LOOKS: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 12.0,
    "axes.titlesize": 12.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": "#DDDDDD",
    "grid.linewidth": 0.8,
    "legend.frameon": False,
    "legend.fontsize": 11.0,
    "legend.handlelength": 3.2,
    "lines.linewidth": 2.0,
}


class Steady(NamedTuple):
    """Where a specimen ends, in a still room, with the paste that a mount has on average."""

    level_dba: float
    """What a meter without error would show [dBA]."""
    rise_k: float
    """Die over room [K]."""


def draw(folder: Path) -> list[Path]:
    """Draw all pictures into a folder that exists, over what is there; where they are.

    Raises OSError when the folder cannot be written.

    Args:
        folder: where to [no unit]
    """
    made = []
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_LOOKS)
        for name, paint in _PICTURES.items():
            made.append(folder / f"{name}.png")
            figure = paint()
            FigureCanvasAgg(figure)
            figure.savefig(made[-1], format="png", dpi=_DOTS_PER_IN, metadata={"Software": None})
    return made


def _steady(specimen: Specimen, heat_w: float) -> list[Steady]:
    """From full fans to slow ones; where the die would pass its limit it ends, on the limit."""
    rig = Rig(specimen, _SEED, _STILL)
    if rig.pump is not None:
        rig.pump.command(_PUMP_PCT)
    rig.advance_to(1200.0, heat_w)
    found: list[Steady] = []
    for duty_pct in _DUTIES_PCT:
        rig.fans.command(duty_pct)
        rig.advance_to(rig.t_s + 240.0, heat_w)
        now = Steady(_shown_dba(specimen, rig.fans.rpm, heat_w), _rise_k(rig))
        if now.rise_k > _MOST_K:
            if found:
                was = found[-1]
                share = (_MOST_K - was.rise_k) / (now.rise_k - was.rise_k)
                found.append(Steady(was.level_dba + share * (now.level_dba - was.level_dba), _MOST_K))
            break
        found.append(now)
    return found


def _rise_k(rig: Rig) -> float:
    """Die over room in the end as things are now [K]; inf where there is no end."""
    try:
        ends_c = rig.cooler.steady_state()
    except ValueError:  # heat pipes far beyond their limit
        return math.inf
    return ends_c["die"] - ends_c["ambient"]


def _shown_dba(specimen: Specimen, fan_rpm: float, heat_w: float) -> float:
    """All sources, the room and the meter's own noise, without beats and events [dBA]."""
    total = energy(_BENCH.room.background_dba) + energy(_BENCH.auxiliaries.auxiliaries_dba(heat_w))
    total += energy(_BENCH.meter.self_noise_dba) + specimen.fans.count * energy(specimen.fans.noise.fan_dba(fan_rpm))
    if specimen.liquid:
        total += energy(specimen.liquid.pump_noise.pump_dba(_PUMP_PCT))
    return level_of(total)


def _line(place: int) -> dict[str, Any]:
    """How the line at this place of a picture looks, the same in all pictures."""
    return {"color": _COLOURS[place % len(_COLOURS)], "linestyle": _DASHES[place % len(_DASHES)]}


def _empty(high_in: float, title: str, rows: int = 1, columns: int = 1, **more: Any) -> tuple[Figure, list[Axes]]:
    figure = Figure(figsize=(_WIDE_IN, high_in), layout="constrained")
    figure.suptitle(f"Simulated: {title}", x=0.01, ha="left", fontsize=14.0, fontweight="bold")
    return figure, list(figure.subplots(rows, columns, squeeze=False, **more).flat)


def _legend_below(figure: Figure, axes: Axes, columns: int) -> None:
    handles, labels = axes.get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=columns)


def _fans() -> Figure:
    figure, panels = _empty(9.0, "one fan at four speeds against its share of the fin pack", 2, 2)
    density_kg_m3, mu_pa_s = _AIR.density_kg_m3, _AIR.mu_pa_s
    for axes, (names, specimen) in zip(panels, _alike(), strict=False):
        curve, pack = specimen.fans.curve, specimen.pack.side_by_side(1.0 / specimen.fans.count)
        flows_m3_s = [curve.free_m3_s * step / 100.0 for step in range(101)]
        for place, speed in enumerate((1.0, 0.8, 0.6, 0.4)):
            points = [(q, curve.pressure_pa(q, speed, density_kg_m3)) for q in flows_m3_s]
            axes.plot(*zip(*((q * _H_S, p) for q, p in points if p >= 0.0), strict=True), **_line(place))
            _say(axes, f"{speed * curve.rated_rpm:.0f} 1/min", (0.0, points[0][1]), (4, 3))
            met = operating_point(curve, pack, speed, density_kg_m3, mu_pa_s)
            at = met.flow_m3_s * _H_S, met.pressure_pa
            axes.plot(
                *at, "o", color="black", markersize=7.0, zorder=3, label="operating point" if place == 0 else None
            )
            _say(axes, f"{at[0]:.0f} m³/h", at, (11, -4))
        taken_pa = [pack.pressure_pa(q, density_kg_m3, mu_pa_s) for q in flows_m3_s]
        axes.plot([q * _H_S for q in flows_m3_s], taken_pa, color="#666666", linewidth=3.0, label="fin pack")
        axes.set(title=", ".join(names), xlabel="flow of one fan [m³/h]", ylabel="pressure [Pa]")
        axes.set(xlim=(0.0, None), ylim=(0.0, 1.12 * curve.shut_off_pa))
    _legend_below(figure, panels[0], 2)
    return figure


def _say(axes: Axes, text: str, at: tuple[float, float], off_points: tuple[float, float]) -> None:
    axes.annotate(text, at, xytext=off_points, textcoords="offset points", fontsize=10.5)


def _alike() -> list[tuple[list[str], Specimen]]:
    """Specimens whose fans are alike and have alike shares of a pack, with the first of each kind."""
    kinds: dict[object, tuple[list[str], Specimen]] = {}
    for name, specimen in load_specimens().items():
        one = specimen.pack.side_by_side(1.0 / specimen.fans.count)
        key = specimen.fans.curve, round(one.linear_pa_s_m3), round(one.quadratic_pa_s2_m6)
        kinds.setdefault(key, ([], specimen))[0].append(name)
    return list(kinds.values())


def _effectiveness() -> Figure:
    figure, (top, bottom) = _empty(9.0, "effectiveness of an exchanger", 2, sharex=True, height_ratios=(5, 2))
    ntus = [0.05 * step for step in range(1, 121)]
    kinds: dict[str, Relation] = {
        "cross-flow, both unmixed, exact": crossflow_unmixed,
        "the same, textbook approximation": crossflow_unmixed_approximate,
        "counter-flow": counterflow,
    }
    ratios = (0.25, 0.5, 1.0)
    for colour, cr in zip(_COLOURS, ratios, strict=False):
        for dashes, relation in zip(_DASHES, kinds.values(), strict=False):
            top.plot(ntus, [relation(ntu, cr) for ntu in ntus], color=colour, linestyle=dashes)
        off = [crossflow_unmixed_approximate(ntu, cr) - crossflow_unmixed(ntu, cr) for ntu in ntus]
        bottom.plot(ntus, off, color=colour, linestyle=_DASHES[1])
    told = [Line2D([], [], color="#444444", linestyle=dashes) for dashes in _DASHES[: len(kinds)]]
    told += [Line2D([], [], color=colour) for colour in _COLOURS[: len(ratios)]]
    top.legend(told, [*kinds, *(f"Cr = {cr:g}" for cr in ratios)], loc="lower right", ncols=2)
    top.set(ylabel="effectiveness [1]", ylim=(0.0, 1.0), xlim=(0.0, ntus[-1]))
    bottom.set(title="textbook approximation less exact", ylabel="difference [1]", xlabel="transfer units NTU [1]")
    bottom.axhline(0.0, color="black", linewidth=1.0)
    return figure


def _rises() -> Figure:
    about = f"rise of the die over a room of {_ROOM_C:g} °C, pump at {_PUMP_PCT:g} %"
    figure, panels = _empty(13.0, about, len(_HEATS_W), sharex=True)
    for axes, heat_w in zip(panels, _HEATS_W, strict=True):
        for place, (name, specimen) in enumerate(load_specimens().items()):
            found = _steady(specimen, heat_w)
            levels = [one.level_dba for one in found]
            label = name if heat_w == _HEATS_W[0] else None
            mark = _MARKERS[place % len(_MARKERS)]
            axes.plot(levels, [one.rise_k for one in found], marker=mark, markersize=5.0, label=label, **_line(place))
            if not found:
                _note(axes, f"{name} is over it at full speed")
        axes.set(title=f"{heat_w:g} W", ylabel="rise of the die [K]")
        low_k, high_k = axes.get_ylim()
        if high_k > 0.9 * _MOST_K:
            axes.axhline(_MOST_K, color="#666666", linewidth=1.2)
            axes.set_ylim(low_k, _MOST_K + 3.0)
            axes.text(1.0, _MOST_K + 0.4, f"limit {_LIMIT_C:g} °C ", transform=axes.get_yaxis_transform(), ha="right")
    panels[-1].set_xlabel("total level at the meter [dBA]")
    _legend_below(figure, panels[0], 3)
    return figure


def _note(axes: Axes, text: str) -> None:
    axes.text(0.99, 0.88, text, transform=axes.transAxes, ha="right", va="top", color="#444444")


def _levels() -> Figure:
    figure, (top, bottom) = _empty(10.0, "levels at the meter", 2, height_ratios=(3, 2))
    for place, (name, specimen) in enumerate(load_specimens().items()):
        least = specimen.fans.drive.min_pct / 100.0
        speeds_rpm = [specimen.fans.curve.rated_rpm * (least + (1.0 - least) * step / 60.0) for step in range(61)]
        top.plot(speeds_rpm, [_shown_dba(specimen, rpm, 0.0) for rpm in speeds_rpm], label=name, **_line(place))
    top.set(title=f"all together, nothing heated, pump at {_PUMP_PCT:g} %", xlabel="fan speed [1/min]")
    top.legend(loc="upper left")
    pumps = {one.liquid.pump_noise: name.split()[0] for name, one in load_specimens().items() if one.liquid}
    speeds_pct = [20.0 + step for step in range(81)]
    for place, (noise, name) in enumerate(pumps.items()):
        bottom.plot(speeds_pct, [noise.pump_dba(pct) for pct in speeds_pct], label=f"pump of {name}", **_line(place))
    parts = {"room": _BENCH.room.background_dba, "meter's own noise": _BENCH.meter.self_noise_dba}
    parts |= {f"bench without cooler, {w:g} W": _BENCH.auxiliaries.auxiliaries_dba(w) for w in (0.0, 260.0)}
    for place, (name, level_dba) in enumerate(parts.items(), start=len(pumps)):
        bottom.plot((speeds_pct[0], speeds_pct[-1]), (level_dba, level_dba), label=name, **_line(place))
    bottom.set(title="each alone", xlabel="pump speed [% of full]", ylim=(0.0, None))
    bottom.legend(loc="lower right")
    for axes in (top, bottom):
        axes.set_ylabel("level [dBA]")
    return figure


def _soak() -> Figure:
    name, heat_w, heated_min, whole_min = "brook 2x140", 200.0, 30, 50
    about = f"{name} at {heat_w:g} W for {heated_min} min, fans and pump at 60 %"
    figure, panels = _empty(9.0, about, 2, sharex=True, height_ratios=(3, 2))
    rig = Rig(load_specimens()[name], _SEED)
    _command(rig, 60.0, 60.0)
    seen: dict[Source, list[float]] = {"die": [], "coolant": [], "inlet": [], "ambient": []}
    times_s = [5.0 * step for step in range(whole_min * 12 + 1)]
    for t_s in times_s:
        rig.advance_to(t_s, heat_w if t_s <= heated_min * _MIN_S else 0.0)
        for source, values in seen.items():
            values.append(rig.true[source]())
    for place, (source, values) in enumerate(seen.items()):
        axes = panels[0] if source in ("die", "coolant") else panels[1]
        axes.plot([t_s / _MIN_S for t_s in times_s], values, label=source, **_line(place))
    for axes in panels:
        axes.set(ylabel="temperature [°C]", xlim=(0.0, whole_min))
        axes.legend(loc="upper right")
    panels[1].set(xlabel="time since the heat came on [min]")
    return figure


def _command(rig: Rig, fan_pct: float, pump_pct: float) -> None:
    rig.fans.command(fan_pct)
    if rig.pump is not None:
        rig.pump.command(pump_pct)


def _stall() -> Figure:
    heat_w, settled_s, after_s = 200.0, 3600.0, 60.0
    figure, (axes,) = _empty(6.5, f"the pump stalls at {heat_w:g} W, fans at 60 %")
    times_s = [float(step) for step in range(-10, round(after_s) + 1)]
    for place, (name, specimen) in enumerate(load_specimens().items()):
        if not specimen.liquid:
            continue
        rig = Rig(specimen, _SEED, planned=[Fault("pump_stalls", at_s=settled_s)])
        _command(rig, 60.0, 60.0)
        dies_c = []
        for t_s in times_s:
            rig.advance_to(settled_s + t_s, heat_w)
            dies_c.append(rig.true["die"]())
        over_s = [f"{t_s:.0f} s" for t_s, die_c in zip(times_s, dies_c, strict=True) if die_c > _LIMIT_C]
        axes.plot(times_s, dies_c, label=f"{name}: over it after {(over_s or ['the end'])[0]}", **_line(place))
    axes.axhline(_LIMIT_C, color="#666666", linewidth=1.2)
    axes.text(times_s[0], _LIMIT_C + 0.7, f" limit {_LIMIT_C:g} °C", ha="left")
    axes.set(xlabel="time since the stall [s]", ylabel="die [°C]", xlim=(times_s[0], times_s[-1]))
    axes.legend(loc="lower right")
    return figure


def _night() -> Figure:
    name, hours, rejected_w = "brook 2x140", 9, 150.0
    about = f"the room in one night of {hours} h, the bench giving off {rejected_w:g} W"
    figure, (sound, warmth) = _empty(8.0, about, 2, sharex=True)
    room = Room(_SEED, name, _BENCH.room)
    times_s = [float(second) for second in range(round(hours * _H_S))]
    levels_dba, airs_c = [], []
    for t_s in times_s:
        room.refresh(t_s, rejected_w)
        levels_dba.append(level_of(room.energy + sum(burst.energy for burst in room.bursts)))
        airs_c.append(room.air_c)
    sound.plot([t_s / _H_S for t_s in times_s], levels_dba, color=_COLOURS[0], linewidth=1.2)
    kinds: tuple[tuple[EventKind, str], ...] = (("door", "v"), ("vehicle", "o"), ("ventilation", "s"))
    for place, (kind, mark) in enumerate(kinds, start=1):
        heard = [event for event in room.events if event.kind == kind and event.start_s < times_s[-1]]
        peaks = [_BENCH.room.background_dba + event.rise_db + 0.8 for event in heard]
        starts_h = [event.start_s / _H_S for event in heard]
        label = f"{kind}: {len(heard)}"
        sound.plot(starts_h, peaks, mark, color=_COLOURS[place], markersize=8.0, label=label)
    warmth.plot([t_s / _H_S for t_s in times_s], airs_c, color=_COLOURS[0])
    sound.set(ylabel="level without the bench [dBA]", xlim=(0.0, hours))
    sound.legend(loc="upper right", ncols=3)
    warmth.set(xlabel="time since the mount [h]", ylabel="air of the room [°C]")
    return figure


_PICTURES: Mapping[str, Callable[[], Figure]] = {
    "fans": _fans,
    "effectiveness": _effectiveness,
    "rise-over-level": _rises,
    "levels": _levels,
    "soak": _soak,
    "pump-stall": _stall,
    "night": _night,
}


def main(arguments: Sequence[str] | None = None) -> int:
    """The command line; 0 when all is drawn, else a message and 2."""
    parser = argparse.ArgumentParser(prog="python -m sim.figures", description="Draw what the simulated bench does.")
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder for the pictures")
    folder = parser.parse_args(arguments).out
    try:
        folder.mkdir(parents=True, exist_ok=True)
        made = draw(folder)
    except OSError as error:
        parser.error(f"cannot draw into {folder}: {error.strerror or error}")
    print("\n".join(str(path) for path in made))
    return 0


if __name__ == "__main__":
    sys.exit(main())
