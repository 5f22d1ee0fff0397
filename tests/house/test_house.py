"""Rules of the house that no test of one module can hold: who imports whom, how long a module is, what lies where."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGES = ("benchd", "drivers", "protocols", "sim")
MODULES = sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))
CONTRACTS = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
STANDS_ON_TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", *PACKAGES, "tests"}


def contract(words: str) -> dict[str, object]:
    return next(contract for contract in CONTRACTS if words in contract["name"])


def benchd_modules() -> set[str]:
    """What lies directly in benchd: modules and packages, as import-linter names them."""
    entries = (ROOT / "benchd").iterdir()
    names = {entry.stem for entry in entries if entry.suffix == ".py" or (entry / "__init__.py").exists()}
    return {f"benchd.{name}" for name in names - {"__init__", "__main__"}}


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_module_is_longer_than_four_hundred_lines(module) -> None:
    assert len(module.read_text().splitlines()) <= 400


def test_the_import_contracts_hold() -> None:
    lint = "from importlinter.cli import lint_imports_command; lint_imports_command()"
    done = subprocess.run(
        [sys.executable, "-c", lint, "--no-cache"], cwd=ROOT, capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_drivers_are_kept_from_every_module_of_benchd_but_two() -> None:
    forbidden = {name for name in contract("drivers import")["forbidden_modules"] if name.startswith("benchd.")}
    assert forbidden == benchd_modules() - {"benchd.instruments", "benchd.errors"}


def test_every_module_of_benchd_but_the_clock_is_kept_from_the_time() -> None:
    kept = set(contract("asks for the time")["source_modules"])
    assert kept >= benchd_modules() - {"benchd.clock", "benchd.analysis"}


@pytest.mark.parametrize("package", ["benchd", "drivers"])
def test_nobody_asks_for_the_date_but_the_clock(package) -> None:
    """`datetime` may be imported for instants that were given; only clock.py may ask it what time it is."""
    asking = re.compile(r"\b(datetime|date)\.(now|utcnow|today)\(")
    found = [
        str(path.relative_to(ROOT))
        for path in (ROOT / package).rglob("*.py")
        if path != ROOT / "benchd" / "clock.py" and asking.search(path.read_text())
    ]
    assert found == []


def test_analysis_is_kept_from_the_rest_of_benchd() -> None:
    forbidden = set(contract("pure computation")["forbidden_modules"])
    assert forbidden >= benchd_modules() - {"benchd.analysis"}


def test_steps_are_kept_from_clock_store_and_instruments() -> None:
    forbidden = set(contract("a step holds no")["forbidden_modules"])
    assert forbidden >= {"benchd.clock", "benchd.store", "benchd.running.bench", "benchd.running.book"}


def test_the_top_level_holds_what_it_should_and_nothing_else() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode != 0:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} == STANDS_ON_TOP


@pytest.mark.parametrize("package", PACKAGES)
def test_every_package_says_that_it_is_typed(package) -> None:
    assert (ROOT / package / "py.typed").is_file()


def test_all_four_packages_are_of_one_distribution() -> None:
    built = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["hatch"]["build"]["targets"]["wheel"]
    assert tuple(built["packages"]) == PACKAGES
