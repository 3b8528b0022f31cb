"""Rules about the repository itself."""

from __future__ import annotations

import importlib
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

CHECKOUT = Path(__file__).parent.parent.parent
PROJECT = tomllib.loads((CHECKOUT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = PROJECT["optional-dependencies"]
LOCKS = {
    "requirements.txt": [*PROJECT["dependencies"], *EXTRAS["embedded"]],
    "requirements-test.txt": [*PROJECT["dependencies"], *EXTRAS["embedded"], *EXTRAS["test"]],
}


def pins_of(lock: str) -> dict[str, Version]:
    """What a lock file pins, by name."""
    lines = (CHECKOUT / "deploy" / lock).read_text(encoding="utf-8").splitlines()
    pins = {}
    for line in lines:
        if line and not line.startswith("#"):
            pinned = Requirement(line)
            (specifier,) = pinned.specifier
            assert specifier.operator == "==", line
            pins[canonicalize_name(pinned.name)] = Version(specifier.version)
    return pins


def test_the_import_rules_hold() -> None:
    done = subprocess.run(
        [Path(sys.executable).with_name("lint-imports"), "--no-cache"],
        cwd=CHECKOUT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("lock", LOCKS)
def test_what_the_project_asks_for_is_pinned_within_its_bounds(lock: str) -> None:
    pins = pins_of(lock)
    for asked in map(Requirement, LOCKS[lock]):
        pinned = pins.get(canonicalize_name(asked.name))
        assert pinned is not None, f"{asked.name} is not pinned; run deploy/lock"
        assert pinned in asked.specifier, f"{asked} is pinned at {pinned}; run deploy/lock"


def test_the_two_locks_agree() -> None:
    run, test = pins_of("requirements.txt"), pins_of("requirements-test.txt")
    assert {name: test.get(name) for name in run} == run


def test_every_setting_is_used_somewhere() -> None:
    names = re.findall(
        r"^    (\w+): [\w| ]+ = _setting\(", (CHECKOUT / "service/settings.py").read_text(), re.MULTILINE
    )
    assert len(names) > 10
    sources = "".join(path.read_text(encoding="utf-8") for path in (CHECKOUT / "service").rglob("*.py"))
    assert [name for name in names if not re.search(rf"\b(settings|_settings|self)\.{name}\b", sources)] == []


def test_the_top_level_holds_what_it_may_and_nothing_else() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "service", "openapi", "tests", "deploy", "fixtures"}
    assert {name for name in top_level() if not name.startswith(".")} <= allowed


def top_level() -> set[str]:
    """The names that are tracked, or, where there is no git, those that lie there and pip did not make."""
    if shutil.which("git") and (CHECKOUT / ".git").exists():
        listed = subprocess.run(["git", "ls-files"], cwd=CHECKOUT, capture_output=True, text=True, check=True)
        return {line.split("/")[0] for line in listed.stdout.splitlines()}
    return {path.name for path in CHECKOUT.iterdir() if not path.name.endswith(".egg-info")}


def test_no_module_of_the_service_has_outgrown_its_room() -> None:
    long = {
        str(path.relative_to(CHECKOUT)): count
        for path in (CHECKOUT / "service").rglob("*.py")
        if (count := len(path.read_text(encoding="utf-8").splitlines())) > 330
    }
    assert long == {}


def test_what_an_adapter_says_that_it_satisfies_is_there() -> None:
    named = {
        found
        for path in (CHECKOUT / "service").rglob("*.py")
        for found in re.findall(r"Satisfies `(service[\w.]+)`", path.read_text(encoding="utf-8"))
    }
    assert len(named) > 10
    for name in named:
        module, _, protocol = name.rpartition(".")
        assert getattr(importlib.import_module(module), protocol).__module__ == module, name


@pytest.mark.parametrize("name", ["demo", "test", "check", "lock", "vendor", "recovery", "environment.sh"])
def test_a_script_is_one_bash_can_read(name: str) -> None:
    subprocess.run(["bash", "-n", CHECKOUT / "deploy" / name], check=True)
