"""Takes a guard out of a copy of the tree and looks whether the tests that stand for it go red.

The copy is whole, so that keeper, worker and off, which are processes of their own, are the altered ones too. An edit must
match exactly once: when the code moves on, the table has to follow.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
COPIED = ("chargerd", "tests", "profiles", "examples", "bench", "pyproject.toml", "README.md", "MANUAL.md", "DEVELOPERS.md")
LEFT_OUT = shutil.ignore_patterns(".hypothesis")
"""Compiled files go along: they still fit, but for the one that is edited."""
PATIENCE_S = 240.0


@dataclass(frozen=True)
class Knock:
    """One guard taken out, or one bug planted: in `file` the text `old` becomes `new`, and one of `tests` must go red."""

    file: str
    old: str
    new: str
    tests: tuple[str, ...]


class KnockError(AssertionError):
    """The edit does not fit, or the tests could not be run: the table is wrong, not the program."""


def altered(text: str, knock: Knock) -> str:
    """Return a file's text with the edit. Raises KnockError unless it fits exactly once."""
    if text.count(knock.old) != 1:
        raise KnockError(f"{knock.file}: {text.count(knock.old)} places for {knock.old!r}")
    return text.replace(knock.old, knock.new)


def knocked_out(knock: Knock, folder: Path) -> str:
    """Run the knock's tests on an altered copy in `folder`. Returns what they printed when one went red, "" when none did.

    Raises:
        KnockError: the edit does not fit, or the tests did not even run.
    """
    edited = altered((ROOT / knock.file).read_text(encoding="utf-8"), knock)
    for name in COPIED:
        source, target = ROOT / name, folder / name
        if source.is_dir():
            shutil.copytree(source, target, ignore=LEFT_OUT)
        elif source.is_file():
            shutil.copy2(source, target)
    (folder / knock.file).write_text(edited, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "-p", "pytest_timeout", "--no-header", *knock.tests],
        cwd=folder, env=os.environ | {"PYTHONPATH": str(folder), "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}, capture_output=True,
        encoding="utf-8", timeout=PATIENCE_S, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    if done.returncode not in (0, 1):
        raise KnockError(f"{knock.tests}: pytest ended with {done.returncode}\n{done.stdout[-2000:]}{done.stderr[-2000:]}")
    return done.stdout[-2000:] if done.returncode == 1 else ""
