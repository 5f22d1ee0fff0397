"""The keys of a SCPI instrument in a bench file, and what stands for those that are left out.

Owns `ScpiSpec`. It says nothing to a device.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

from pydantic import Field, StringConstraints, model_validator

from benchd.instruments import ChannelSpec, InstrumentSpec, Number, SetpointSpec, unit_of
from drivers.links.own_address import is_own_address
from drivers.links.stream import WireKeys
from drivers.scpi.codec import query_form, split_outside_quotes
from drivers.scpi.link import LineEnd

#: Registered with IANA for SCPI over a raw socket (service name scpi-raw).
USUAL_PORT = 5025

#: What is asked and commanded unless the bench file says otherwise: SCPI-99 volume 2, MEASure and SOURce subsystems.
_QUERIES = {"V": "MEAS:VOLT?", "A": "MEAS:CURR?", "W": "MEAS:POW?", "degC": "MEAS:TEMP?"}
_COMMANDS = {"V": "VOLT {value}", "A": "CURR {value}", "W": "POW {value}"}

#: How long after a question a device may answer unless the bench file says [s], or twice deadline_s.
_LATEST_REPLY_S = 1.0

#: One line of printable ASCII, without blanks at its ends.
Line = Annotated[str, StringConstraints(pattern=r"^[!-~]([ -~]*[!-~])?$")]
LineOrNone = Annotated[str, StringConstraints(pattern=r"^([!-~]([ -~]*[!-~])?)?$")]


def _one_query(key: str, query: str) -> None:
    if query and ("?" not in query or len(split_outside_quotes(query, ";")) > 1):
        raise ValueError(f"{key} must be one query, with a question mark and without a semicolon, got {query!r}")


def _takes_value(key: str, command: str) -> None:
    if command.count("{value}") != 1 or "?" in command:
        raise ValueError(f"{key} must be a command with {{value}} where the number goes, got {command!r}")


class ScpiChannel(ChannelSpec):
    """One measured quantity, and what is asked for it: value = scale * answer, or scale * answer * second answer."""

    query: Line | None = None
    """What is asked. Unless given: "MEAS:VOLT?" for a name in _v, "MEAS:CURR?" in _a, "MEAS:POW?" in _w, "MEAS:TEMP?"
    in _c. Channels with the same query share one answer."""
    times: Line | None = None
    """A second query, whose answer is multiplied with the first: watts of a device that tells volts and amperes."""
    field: Annotated[int, Field(ge=1)] | None = None
    """Which number of an answer that has several with commas between, from 1."""
    scale: Number = 1.0
    """value = scale * answer [unit of the value per unit of the answer]."""
    suffix: Line | None = None
    """The unit that the device writes behind its number, where that is not the unit in the channel's name. A number
    with another one is not taken."""

    @model_validator(mode="after")
    def _asks(self) -> ScpiChannel:
        _one_query("query", self.query or "")
        _one_query("times", self.times or "")
        if self.times and not self.query:
            raise ValueError("times needs a query that it multiplies")
        if self.scale == 0:
            raise ValueError("scale must not be 0")
        return self


class ScpiSetpoint(SetpointSpec):
    """One commanded quantity, and what is sent for it. Watts switch the output as well."""

    command: Line | None = None
    """What is sent, with {value} where the number goes. Unless given: "POW {value}" for a name in _w, "VOLT {value}" in
    _v, "CURR {value}" in _a."""
    read_back: LineOrNone | None = None
    """What is asked afterwards. Unless given, the command's own query, such as "POW?"; '' where the device has none."""
    read_back_tolerance: Annotated[Number, Field(ge=0)] | None = None
    """How far the number read back may lie from the number sent [unit of the setpoint]; unless given, 0.1 % of the top
    of its range."""
    ohm: Annotated[Number, Field(gt=0)] | None = None
    """Resistance of the heater [ohm], for a supply that cannot hold watts: it is told the volts that give them,
    sqrt(P R), and a limit of amperes. Only for watts, and in place of command."""
    volts: Line | None = None
    """With ohm: what is sent for the volts, "VOLT {value}" unless given."""
    amperes: Line | None = None
    """With ohm: what is sent for the limit of the amperes, "CURR {value}" unless given."""
    margin_pct: Annotated[Number, Field(ge=0, le=100)] = 5.0
    """With ohm: how far the limit of the amperes lies above those that the watts need [%]."""

    @model_validator(mode="after")
    def _commands(self) -> ScpiSetpoint:
        _one_query("read_back", self.read_back or "")
        if self.ohm is None and (self.volts or self.amperes):
            raise ValueError("volts and amperes go with ohm")
        if self.ohm is not None and (self.command is not None or self.read_back is not None):
            raise ValueError("a heater of known ohm is told volts and amperes: command and read_back have no place")
        if self.ohm is not None and self.range[0] < 0:
            raise ValueError("range of a heater begins at 0 or above")
        for key in ("command", "volts", "amperes"):
            if (command := getattr(self, key)) is not None:
                _takes_value(key, command)
        if self.command is not None and self.read_back is None and query_form(self.command) is None:
            raise ValueError(f"say read_back, what is asked after {self.command!r}, or '' where nothing can be asked")
        return self


class ScpiSpec(WireKeys, InstrumentSpec):
    """One SCPI device, as the bench file declares it: on a TCP socket, port 5025 unless given, or a serial port."""

    usual_port: ClassVar[int | None] = USUAL_PORT

    line_end: LineEnd = "lf"
    """How messages end: "lf", "crlf" or "cr"."""
    identity_query: LineOrNone = "*IDN?"
    """What the device is asked who it is; its answer also brings the link into step after a failure. '' where it does
    not know such a question."""
    latest_reply_s: Annotated[Number, Field(gt=0, le=60)] | None = None
    """How long after a question the device may answer at the latest [s]: without identity_query nothing is asked for so
    long after a failure; unless given twice deadline_s, at least 1."""
    error_query: LineOrNone = "SYST:ERR?"
    """What its error queue is asked, after every setting and until it is empty; '' where it has none."""
    at_open: list[Line] = Field(default_factory=list)
    """Commands sent each time a link is made, such as its communication time-out: after how much silence it turns its
    output off by itself. Until it has taken them nothing else is set."""
    on: LineOrNone = "OUTP ON"
    """What switches its output on, after a setpoint in watts above 0; '' where there is nothing to switch."""
    off: LineOrNone = "OUTP OFF"
    """What switches it off, before a setpoint of 0 W and before anything else in the safe state; '' as above."""
    output_query: LineOrNone | None = None
    """What tells whether the output is on, 1 or ON. Unless given, the query of `off`, such as "OUTP?"; '' for none."""
    together: bool = True
    """Whether several queries may go as one message, with one answer; false for a device that does not know semicolons.
    """
    heats: Literal["supply", "processor"] = "supply"
    """What its watts heat: a heater fed by a "supply", or the "processor" of the computer that answers here."""
    channels: Mapping[str, ScpiChannel] = Field(default_factory=dict)
    setpoints: Mapping[str, ScpiSetpoint] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _says_enough(self) -> ScpiSpec:
        for key in ("identity_query", "error_query", "output_query"):
            _one_query(key, getattr(self, key) or "")
        for key, commands in (("at_open", self.at_open), ("on", [self.on]), ("off", [self.off])):
            if any("?" in command for command in commands):
                raise ValueError(f"{key} must be a command, not a query: nobody waits for its answer")
        if bool(self.on) != bool(self.off):
            raise ValueError("on and off go together: give both, or '' for both")
        for name, channel in self.channels.items():
            if channel.query is None and unit_of(name) not in _QUERIES:
                raise ValueError(f"channels.{name} needs a query: none is usual for its unit")
        for name, setpoint in self.setpoints.items():
            if setpoint.ohm is not None and unit_of(name) != "W":
                raise ValueError(f"setpoints.{name}: ohm is for a setpoint in watts")
            if setpoint.ohm is None and setpoint.command is None and unit_of(name) not in _COMMANDS:
                raise ValueError(f"setpoints.{name} needs a command: none is usual for its unit")
        return self

    def query_of(self, name: str) -> str:
        """What is asked for a channel."""
        return self.channels[name].query or _QUERIES[unit_of(name) or ""]

    def command_of(self, name: str) -> str:
        """What is sent for a setpoint without `ohm`."""
        return self.setpoints[name].command or _COMMANDS[unit_of(name) or ""]

    def switches(self, name: str) -> bool:
        """Whether a setpoint switches the output as well."""
        return bool(self.off) and unit_of(name) == "W"

    @property
    def quiet_s(self) -> float:
        """For how long nothing is asked after a failure [s]: 0 for a device that can be brought into step."""
        return 0.0 if self.identity_query else self.latest_reply_s or max(_LATEST_REPLY_S, 2 * self.deadline_s)

    @property
    def asks_output(self) -> str:
        """What tells whether the output is on, empty when nothing does."""
        return (query_form(self.off) or "") if self.output_query is None else self.output_query

    def cautions(self) -> list[str]:
        """A heated processor that would run the bench itself; heat that nothing switches off when the program dies."""
        cautions = []
        if self.heats == "processor" and self.host is not None and is_own_address(self.host):
            cautions.append(
                f"the processor that is heated at {self.host} is this very computer, which runs the bench: its load "
                "and its throttling disturb the run, and a crash takes both down. Run benchd on another one"
            )
        if not self.at_open and any(unit_of(name) == "W" for name in self.setpoints):
            cautions.append(
                "nothing in at_open sets a communication time-out: does the device turn its heat off by itself when "
                "computer, cable or program fail?"
            )
        return cautions
