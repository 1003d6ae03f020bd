"""Which kind of file is this? Told by the key it is named with: `profile:`, `cell:` or `bench:`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from chargerd.config.bench import load_bench
from chargerd.config.cell import load_cell
from chargerd.config.marked import Faults, read_marked
from chargerd.config.profile import load_profile
from chargerd.errors import Place, ProfileError

LOADERS: dict[str, Callable[[Path], object]] = {"profile": load_profile, "cell": load_cell, "bench": load_bench}


def kind_of(path: Path) -> str:
    """Return profile, cell or bench. Raises ProfileError with every fault of a file that cannot be read as any."""
    faults = Faults()
    marked = read_marked(path, faults)
    if marked.root is None:
        faults.raise_as(ProfileError)
        raise AssertionError("a file without a root always has a fault")
    found = [kind for kind in LOADERS if kind in marked.root.entries]
    if len(found) != 1:
        what = "this says neither what profile, cell nor bench it is" if not found else f"this is {' and '.join(found)} at once"
        faults.add(Place(str(path), 1, 1), what, "begin with one of `profile: NAME`, `cell: NAME`, `bench: NAME`")
        faults.raise_as(ProfileError)
    return found[0]


def load_any(path: Path) -> object:
    """Load and check a file of any kind. Raises ProfileError or BenchError."""
    return LOADERS[kind_of(path)](path)
