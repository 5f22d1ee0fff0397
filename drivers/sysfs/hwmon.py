"""Fans, pumps and temperatures that the Linux kernel shows under /sys/class/hwmon, by the name of their chip.

Owns the keys of its table in a bench file (`HwmonSpec`) and the way from them to files. Finding chips is in
`chips`, taking and giving back an output in `fan_output`, files in `numbers`. Standard: the kernel's
Documentation/hwmon/sysfs-interface.rst.

    [instruments.board]
    driver = "hwmon"
    chip = "nct6775"
    channels.coolant_c = { input = "temp2" }
    channels.fan_rpm = { input = "fan1" }
    setpoints.fan_pct = { pwm = [1, 3], range = [0, 100], safe = 100 }

An output is taken (manual mode) at its first command, and its former mode is given back by `close`, at the end of the
process, after a SIGKILL by the next `open`: the engine's next start, or `benchd make-safe`. A machine whose own
processor is cooled by such an output throttles or switches off by itself when it gets too hot; nothing else here
guards it while the output is taken.
"""

from __future__ import annotations

import atexit
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, ClassVar

from pydantic import BeforeValidator, Field, model_validator

from benchd.errors import InstrumentError, LinkLost, SettingRefused
from benchd.instruments import (
    Answer,
    Attached,
    ChannelSpec,
    Instrument,
    InstrumentSpec,
    Number,
    SetpointSpec,
    Setup,
    unit_of,
)
from drivers.sysfs.chips import KINDS, ROOT, Chip, chips, find_chip, kind_of, still_there
from drivers.sysfs.fan_output import FanOutput
from drivers.sysfs.former import Former, record_name, state_folder


def _several(given: object) -> object:
    if isinstance(given, int):
        return (given,)
    return tuple(given) if isinstance(given, list) else given


class HwmonChannel(ChannelSpec):
    """One measured quantity of the chip."""

    input: Annotated[str, Field(pattern=r"^(temp|fan|pwm|in|curr|power|humidity)[0-9]{1,3}$")]
    """What is read, as the kernel calls it: `temp1`, `fan2`, `pwm1`, `in0`, `curr1`, `power1` or `humidity1`."""


class HwmonSetpoint(SetpointSpec):
    """One commanded quantity: a fan or pump output of the chip, or several that turn together."""

    pwm: Annotated[
        tuple[Annotated[int, Field(ge=1, le=99)], ...], Field(min_length=1, max_length=20), BeforeValidator(_several)
    ]
    """Number of the output, `1` for pwm1, or a list of numbers."""
    read_back_tolerance: Annotated[Number, Field(ge=0, le=100)] = 0.0
    """How far what the chip reads back may lie from what was written [%]; 0 is exactly the same of 255 counts."""

    @model_validator(mode="after")
    def _is_a_share(self) -> HwmonSetpoint:
        low, high = self.range
        if low < 0 or high > 100:
            raise ValueError(f"range must lie in 0 to 100 %, got {list(self.range)}")
        if len(set(self.pwm)) < len(self.pwm):
            raise ValueError(f"pwm names an output twice: {list(self.pwm)}")
        return self


class HwmonSpec(InstrumentSpec):
    """One monitoring chip of the machine that benchd runs on."""

    chip: Annotated[str, Field(min_length=1)]
    """Name of the chip, as its file `name` has it; `benchd instruments --find` lists them."""
    device: Annotated[str, Field(min_length=1)] | None = None
    """End of its `device` link; needed when two chips share a name."""
    root: str = ROOT
    """The folder of all chips."""
    state_folder: Annotated[str, Field(min_length=1)] | None = None
    """Where the former modes are kept while outputs are taken; `benchd` below XDG_STATE_HOME unless given. A service
    and a person who calls `benchd make-safe` must mean the same one."""
    channels: Mapping[str, HwmonChannel] = Field(default_factory=dict)
    setpoints: Mapping[str, HwmonSetpoint] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _units(self) -> HwmonSpec:
        wanted = {name: KINDS[kind_of(channel.input)][0] for name, channel in self.channels.items()}
        wanted |= dict.fromkeys(self.setpoints, "%")
        for name, unit in wanted.items():
            if unit_of(name) != unit:
                raise ValueError(f"{name} does not name the unit of what it is here, {unit}")
        outputs = [number for setpoint in self.setpoints.values() for number in setpoint.pwm]
        if len(set(outputs)) < len(outputs):
            raise ValueError("two setpoints command the same pwm output")
        return self

    def occupies(self) -> Mapping[str, str]:
        outputs = [number for setpoint in self.setpoints.values() for number in setpoint.pwm]
        chip = " ".join(filter(None, (self.chip, self.device)))
        return {f"output pwm{number} of chip {chip} in {self.root}": "" for number in outputs}

    def cautions(self) -> list[str]:
        return [
            f"{name} of {self.chip} is safe at {setpoint.safe:g} %: usual is full speed, 100 %"
            for name, setpoint in self.setpoints.items()
            if setpoint.safe < 100
        ]


class Hwmon(Instrument):
    """One monitoring chip. The kernel gives no way to put a limit on the time that one of its files takes."""

    Spec: ClassVar[type[InstrumentSpec]] = HwmonSpec

    def __init__(self, setup: Setup) -> None:
        super().__init__(setup)
        spec: HwmonSpec = setup.spec
        self._spec = spec
        self._root = Path(spec.root)
        self._chip: Chip | None = None
        self._given_back: list[str] = []
        self._stays = False
        self._outputs: dict[str, list[FanOutput]] = {}

    def open(self) -> None:
        self.close()
        chip = self._find()
        # One output that cannot be set must not keep the others from being made safe: `identify` tells of it.
        refusals = [refusal for output in self._all_outputs() if (refusal := _refusal(output, chip))]
        if refusals and len(refusals) == len(list(self._all_outputs())):
            raise refusals[0]
        self._stays = False
        self._given_back = [name for name, output in self._named_outputs() if self._recovered(name, output, chip)]

    def close(self) -> None:
        """Give back what was taken. What cannot be given back stays recorded for the next `open`.

        So does everything while the safe state of the bench is not confirmed: fans that are full stay full.
        """
        atexit.unregister(self.close)
        taken = [(name, output) for name, output in self._named_outputs() if output.taken]
        for name, output in taken:
            try:
                if self._stays:
                    output.let_go()
                else:
                    output.give_back(self._found(), self._spec.setpoints[name].safe)
            except InstrumentError:
                output.let_go()
        self._chip = None

    def stay_safe(self) -> None:
        self._stays = True

    def identify(self) -> str:
        chip = self._found()
        for output in self._all_outputs():
            output.need_right(chip)
        said = f"chip {chip.words} with {', '.join(chip.inputs()) or 'no inputs'}"
        if self._given_back:
            said += f"; the former mode of {', '.join(self._given_back)} was given back after a program that was killed"
        return said

    def read(self, t_s: float) -> Mapping[str, Answer]:  # noqa: ARG002  # only a simulated device needs it
        chip = self._found()
        return {name: chip.read(channel.input) for name, channel in self._spec.channels.items()}

    def write(self, values: Mapping[str, float]) -> None:
        for name, value in values.items():
            self._spec.check_setting(name, value, self.name)
        chip = self._found()
        atexit.register(self.close)
        for name, value in values.items():
            for output in self._outputs[name]:
                output.command(chip, value, self._spec.setpoints[name].read_back_tolerance)

    def make_safe(self, values: Mapping[str, float]) -> None:
        """Turn each output to its safe value, also where another program holds it; one that refuses keeps none back.

        The outputs stay taken: only `close` gives the former modes back.
        """
        chip = self._found()
        atexit.register(self.close)
        refusals = [refusal for name, value in values.items() for refusal in self._made_safe(chip, name, value)]
        if refusals:
            raise refusals[0]

    def _made_safe(self, chip: Chip, name: str, value: float) -> Iterator[SettingRefused]:
        try:
            self._spec.check_setting(name, value, self.name)
        except SettingRefused as refusal:
            yield refusal
            return
        for output in self._outputs[name]:
            try:
                output.make_safe(chip, value, self._spec.setpoints[name].read_back_tolerance)
            except SettingRefused as refusal:
                yield refusal

    def _found(self) -> Chip:
        """The chip where it is now: after a loss it may be elsewhere, and its number another chip's."""
        if self._chip is None or not still_there(self._chip):
            return self._find()
        return self._chip

    def _find(self) -> Chip:
        self._chip = None
        self._chip = find_chip(self._root, self._spec.chip, self._spec.device, self.name)
        if not self._outputs:
            self._outputs = {name: self._outputs_of(spec, self._chip) for name, spec in self._spec.setpoints.items()}
        return self._chip

    def _outputs_of(self, setpoint: HwmonSetpoint, chip: Chip) -> list[FanOutput]:
        folder = state_folder(self._spec.state_folder)
        names = {f"pwm{number}": f"{self.name}: pwm{number}" for number in setpoint.pwm}
        records = {name: Former(folder, record_name(self._root, chip.name, chip.device, name)) for name in names}
        return [FanOutput(name, records[name], who) for name, who in names.items()]

    def _recovered(self, name: str, output: FanOutput, chip: Chip) -> bool:
        """As `recover`; what cannot be given back now is tried again by `close`."""
        try:
            return output.recover(chip, self._spec.setpoints[name].safe)
        except SettingRefused:
            return False

    def _named_outputs(self) -> Iterator[tuple[str, FanOutput]]:
        for name, outputs in self._outputs.items():
            for output in outputs:
                yield name, output

    def _all_outputs(self) -> Iterator[FanOutput]:
        return (output for _, output in self._named_outputs())

    @classmethod
    def find(cls) -> list[Attached]:
        return attached(Path(ROOT))


def _refusal(output: FanOutput, chip: Chip) -> LinkLost | None:
    try:
        output.need_right(chip)
    except LinkLost as refusal:
        return refusal
    return None


def attached(root: Path) -> list[Attached]:
    """The chips below a root that have something to read, each with a stanza to paste."""
    all_ = [chip for chip in chips(root) if chip.inputs()]
    names = [chip.name for chip in all_]
    # Two of a name get numbers, so that their stanzas can stand in one file.
    numbers = [names[: at + 1].count(name) if names.count(name) > 1 else 0 for at, name in enumerate(names)]
    return [Attached(f"chip {chip.words}", _stanza(chip, number)) for chip, number in zip(all_, numbers, strict=True)]


def _stanza(chip: Chip, number: int) -> str:
    """`number` 0 when no other chip has its name, else the how-manieth of them it is."""
    own = _bare(chip.name) + (str(number) if number else "")
    lines = [f"[instruments.{own}]", 'driver = "hwmon"', f'chip = "{chip.name}"']
    if number and chip.device:
        lines.append(f'device = "{chip.device}"')
    for name in chip.inputs():
        lines += _channel_lines(chip, own, name)
    outputs = [name.removeprefix("pwm") for name in chip.inputs() if kind_of(name) == "pwm"]
    if outputs:
        lines.append("# without the #, and only the outputs that the specimen's fans hang on; a pump has pump_pct")
        lines.append(f"# setpoints.fan_pct = {{ pwm = [{', '.join(outputs)}], range = [0, 100], safe = 100 }}")
    return "\n".join(lines) + "\n"


_ENDINGS = {"degC": "c", "1/min": "rpm", "%": "pct", "V": "v", "A": "a", "W": "w"}


def _channel_lines(chip: Chip, own: str, name: str) -> list[str]:
    unit = KINDS[kind_of(name)][0]
    answer, label = chip.read(name), chip.label(name)
    now = f"now {answer:.4g} {unit}" if isinstance(answer, float) else "no value now"
    about = f"# {name}{f', {label}' if label else ''}: {now}"
    return [about, f'channels.{own}_{name}_{_ENDINGS[unit]} = {{ input = "{name}" }}']


def _bare(name: str) -> str:
    """A name that needs no quotes in TOML."""
    return "".join(letter if letter.isascii() and letter.isalnum() else "_" for letter in name)
