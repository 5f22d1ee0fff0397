"""What `serve --print-unit` prints: a systemd unit for one bench and the udev rules beside it, each with its place.

Every directive that is not obvious says why it stands there, or why a usual one does not. After systemd.service(5),
systemd.exec(5) and udev(7) of systemd 252. Nothing is written anywhere: a person reads it first.
"""

from __future__ import annotations

import grp
import sys
from pathlib import Path

import benchd
from benchd.bench_file import LoadedBench
from benchd.named_files import shipped_bench

#: Who the daemon runs as, and its group; never root.
USER = "benchd"
#: Groups that own serial ports, as distributions call them.
_SERIAL_GROUPS = ("dialout", "uucp")
_HOMES = ("/home", "/root", "/run/user")

_HEAD = """\
# benchd {version}: a systemd unit and udev rules for bench {bench}. Read them, then as root:
#
#   useradd --system --user-group --home-dir /var/lib/benchd --shell /usr/sbin/nologin {user}
#   benchd serve --print-unit --bench BENCH | awk '/^# ==== /{{file=$3}} file{{print > file}}'
#   udevadm control --reload && udevadm trigger
#   systemctl daemon-reload && systemctl enable --now benchd
#
# Whoever is to queue and to stop runs joins the group: usermod --append --groups {user} NAME, and logs in anew.
# A service that restarts by itself is no protection: the heater needs a thermal cut-out that works without a computer.
{warnings}
"""

_UNIT = """\
# ==== /etc/systemd/system/benchd.service

[Unit]
Description=benchd, bench {bench}
# Instruments may stand in the network, and the hour of a quiet window needs a clock that is right.
Wants=network-online.target
After=network-online.target time-sync.target
# Five starts in ten minutes that came to nothing: it stays down, made safe, for a person to look at.
StartLimitIntervalSec=600
StartLimitBurst=5

[Service]
# The guard says READY=1 when the engine is up, and kicks the watchdog only while the engine's beats come.
Type=notify
NotifyAccess=main
WatchdogSec=60
# A large database may have to be upgraded first.
TimeoutStartSec=330
# Time for the safe state of instruments that do not answer; ExecStopPost has as long again.
TimeoutStopSec=60
ExecStart={serve}
# SIGHUP reads the bench file again, when nothing is played.
ExecReload=/bin/kill -HUP $MAINPID
# However it ended, killed or not even started: heat off, cooling on.
ExecStopPost={make_safe}
Restart=always
RestartSec=5
# Exit status 2: bench file or database are wrong, and another start would not mend them.
RestartPreventExitStatus=2
# SIGTERM goes to the guard, which has its child make the bench safe; what is left after that is killed.
KillMode=mixed
# Out of memory kills the child alone; the guard is still there to make the bench safe.
OOMPolicy=continue
OOMScoreAdjust=-500

User={user}
Group={user}
SupplementaryGroups={serial_group}
UMask=0027
# The socket is in /run/benchd; database and backups are in /var/lib/benchd.
RuntimeDirectory=benchd
RuntimeDirectoryMode=0750
StateDirectory=benchd
StateDirectoryMode=0750
# Own benches and protocols: /etc/benchd/benches, /etc/benchd/protocols. What drivers must remember: /var/lib/benchd.
Environment=XDG_CONFIG_HOME=/etc XDG_DATA_HOME=/var/lib XDG_STATE_HOME=/var/lib

# Nothing but what is named may be written; /dev, /proc and /sys stay as they are, for serial ports, fans, power limits.
# For these, three usual directives are left out: PrivateDevices and ProtectKernelTunables close them outright;
# ProtectClock and any DeviceAllow close each device that is not named, an adapter plugged in later among them.
ProtectSystem=strict
# /run/lock and /tmp: one daemon a bench is a lock file there that others see, so /tmp is not private.
ReadWritePaths=-/run/lock /tmp{writable}
ProtectHome={home}
NoNewPrivileges=yes
CapabilityBoundingSet=
ProtectControlGroups=yes
ProtectKernelModules=yes
ProtectKernelLogs=yes
ProtectHostname=yes
LockPersonality=yes
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallErrorNumber=EPERM

[Install]
WantedBy=multi-user.target

"""

_RULES = """\
# ==== /etc/udev/rules.d/90-benchd.rules

# Serial adapters: the group that the daemon is in, names that stay, and no modem manager that would try them out with
# commands of its own. /dev/benchd/serial-... follows the adapter, where it has a serial number; /dev/benchd/socket-...
# the USB socket it is plugged into. ID_SERIAL_SHORT and ID_PATH_TAG are set by the rules of udev, 60-serial.rules.
SUBSYSTEM=="tty", SUBSYSTEMS=="usb", GROUP="{serial_group}", MODE="0660", ENV{{ID_MM_DEVICE_IGNORE}}="1"
SUBSYSTEM=="tty", SUBSYSTEMS=="usb", ENV{{ID_SERIAL_SHORT}}=="?*", \
SYMLINK+="benchd/serial-$env{{ID_SERIAL_SHORT}}-$env{{ID_USB_INTERFACE_NUM}}"
SUBSYSTEM=="tty", SUBSYSTEMS=="usb", ENV{{ID_PATH_TAG}}=="?*", SYMLINK+="benchd/socket-$env{{ID_PATH_TAG}}"

# Fan outputs: files of the kernel that belong to root. Whenever a monitoring chip appears, its outputs and modes are
# given to the group {user} to write. Whoever is in that group can stop the fans of this computer.
ACTION!="remove", SUBSYSTEM=="hwmon", RUN+="/bin/sh -c 'chgrp -f {user} /sys%p/pwm*; chmod -f g+w /sys%p/pwm*; true'"

# Only for a bench that heats the processor of this computer; take the # away then. Its energy counter can be read and
# its power limits written by the group {user}. The kernel keeps the counter from all but root on purpose: it tells
# other users what the processor works on (CVE-2020-8694).
#ACTION!="remove", SUBSYSTEM=="powercap", RUN+="/bin/sh -c 'cd /sys%p; chgrp -f {user} energy_uj *_power_limit_uw; \
chmod -f g+r energy_uj; chmod -f g+rw *_power_limit_uw; true'"
"""


def unit_text(loaded: LoadedBench, bench: str, db: Path | None, user: str = USER) -> str:
    """A unit and udev rules that serve this bench by this installation.

    bench: the name or path it was found by; a shipped one stays a name, any other becomes its path. db: the database,
    in the unit's own folder unless given.
    """
    file = bench if shipped_bench(bench) == loaded.file else str(Path(loaded.file).absolute())
    state = Path("/var/lib/benchd")
    database = (db or state / ("rehearsal.db" if loaded.bench.immediate else "bench.db")).absolute()
    in_homes = [path for path in (_program()[0], file, str(database)) if _in_a_home(path)]
    outside = [] if database.is_relative_to(state) else [str(database.parent)]
    common = {"bench": loaded.bench.bench, "user": user, "serial_group": _serial_group()}
    unit = _UNIT.format(
        **common | {"bench": _plain(loaded.bench.bench)},
        serve=_command("serve", "--bench", file, "--db", str(database), "--socket", "/run/benchd/benchd.sock"),
        make_safe=_command("make-safe", "--bench", file),
        writable="".join(f" {_word(path)}" for path in outside),
        home="read-only" if in_homes else "yes",
    )
    warnings = "".join(
        f"# WARNING: {path} lies in a home folder: {user} must be able to get there.\n" for path in in_homes
    )
    head = _HEAD.format(**common, version=benchd.__version__, warnings=warnings.rstrip("\n"))
    return f"{head.rstrip()}\n\n{unit}{_RULES.format(**common)}"


def _program() -> list[str]:
    """The words that start this installation, whatever folder one is in."""
    script = Path(sys.executable).with_name("benchd")
    return [str(script)] if script.is_file() else [sys.executable, "-P", "-m", "benchd"]


def _command(*words: str) -> str:
    return " ".join(_word(word) for word in (*_program(), *words))


def _word(word: str) -> str:
    r"""A word as it stands in a unit: systemd.service(5), "Command lines", and systemd.syntax(7), "Quoting".

    >>> print(_word("serve"), _word("my bench.toml"), _word("50%"), _word('a"b'))
    serve "my bench.toml" 50%% "a\"b"
    """
    escaped = _plain(word).replace("$", "$$")
    plain = word.isprintable() and not any(letter in word for letter in " ;\"'\\")
    return escaped if plain else '"' + escaped.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _plain(text: str) -> str:
    return text.replace("%", "%%")


def _in_a_home(path: str) -> bool:
    return any(Path(path).is_relative_to(home) for home in _HOMES)


def _serial_group() -> str:
    """The group that owns serial ports on this machine."""
    there = {group.gr_name for group in grp.getgrall()}
    return next((name for name in _SERIAL_GROUPS if name in there), _SERIAL_GROUPS[0])
