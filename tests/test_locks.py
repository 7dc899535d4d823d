"""The lock files against constraints.txt and pyproject.toml: the same versions, all of them, each with hashes."""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
LOCKS = {"locks/run.txt": (), "locks/test.txt": ("dev",)}
each_lock = pytest.mark.parametrize("name", LOCKS)


def pinned(text: str) -> dict[str, str]:
    """Versions by package, of requirements with or without markers and hashes."""
    lines = [line for line in text.replace("\\\n", " ").splitlines() if line and not line.startswith("#")]
    found = [Requirement(line.split(" --hash")[0]) for line in lines]
    return {canonicalize_name(each.name): str(each.specifier).removeprefix("==") for each in found}


def locked(name: str) -> dict[str, str]:
    return pinned((ROOT / name).read_text(encoding="utf-8"))


def required(extras: tuple[str, ...]) -> list[Requirement]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lines = project["dependencies"] + [line for extra in extras for line in project["optional-dependencies"][extra]]
    return [Requirement(line) for line in lines]


@each_lock
def test_versions_are_those_of_the_constraints(name: str) -> None:
    constraints = pinned((ROOT / "constraints.txt").read_text(encoding="utf-8"))
    for package, version in locked(name).items():
        assert constraints.get(package) == version, f"{name}: {package} {version}. Run scripts/lock"


@each_lock
def test_every_requirement_is_locked_with_all_that_it_needs(name: str) -> None:
    """Walks what is installed here; markers of other systems are up to scripts/lock."""
    versions = locked(name)
    open_, seen = required(LOCKS[name]), set[str]()
    while open_:
        wanted = open_.pop()
        package = canonicalize_name(wanted.name)
        assert package in versions, f"{name} lacks {package}. Run scripts/lock"
        assert wanted.specifier.contains(versions[package], prereleases=True), f"{name}: {package} is too old or new"
        if package not in seen:
            seen.add(package)
            try:
                needs = [Requirement(line) for line in distribution(package).requires or []]
            except PackageNotFoundError:
                pytest.fail(f"{package} is not installed: run scripts/test once")
            open_ += [each for each in needs if each.marker is None or each.marker.evaluate({"extra": ""})]
    assert len(seen) > 20


@each_lock
def test_each_package_has_hashes_and_nothing_names_a_place(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    entries = [line for line in text.replace("\\\n", " ").splitlines() if line and not line.startswith("#")]
    for entry in entries:
        assert re.fullmatch(r"[A-Za-z0-9._-]+==[^ ;]+ (?:; [^-]+?)?(?: *--hash=sha256:[0-9a-f]{64})+ *", entry), entry
    assert "://" not in text
    assert not re.search(r"(?:^|\s)/|index-url|find-links", text)


def test_what_the_dashboard_needs_at_run_time_is_pinned() -> None:
    """Dash requires setuptools; installing this program without build isolation needs it too."""
    build = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["build-system"]["requires"]
    (wanted,) = [Requirement(line) for line in build]
    assert wanted.specifier.contains(locked("locks/run.txt")["setuptools"])
