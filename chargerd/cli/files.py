"""Finding what a person names on the command line: files, shipped profiles, channels, data folders, runs."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from chargerd.errors import UsageError

if TYPE_CHECKING:
    from chargerd.config.bench import BenchFile
    from chargerd.config.cell import CellFile
    from chargerd.config.profile import ProfileFile
    from chargerd.config.unattended import Facts
    from chargerd.core.plan import Plan
    from chargerd.daemon.records import Standing


def shipped_profiles() -> Path:
    """Return the folder of the shipped profiles: inside the wheel, or beside the package in a checkout."""
    package = Path(__file__).resolve().parent.parent
    inside = package / "profiles"
    return inside if inside.is_dir() else package.parent / "profiles"


def example_bench() -> Path:
    """Return the shipped example bench (invented): inside the wheel, or in a checkout."""
    package = Path(__file__).resolve().parent.parent
    inside = package / "examples"
    return (inside if inside.is_dir() else package.parent / "examples") / "boathouse" / "bench.yaml"


def profile_path(name: str) -> Path:
    """Return the file a person means: a path, or the name of a shipped profile. Raises UsageError."""
    given = Path(name)
    if given.is_file():
        return given
    shipped = shipped_profiles() / f"{name}.yaml"
    if os.sep not in name and shipped.is_file():
        return shipped
    names = ", ".join(sorted(path.stem for path in shipped_profiles().glob("*.yaml")))
    raise UsageError(f"no profile {name!r}: give a file, or one of the shipped ones: {names}")


def existing(path: str, what: str) -> Path:
    """Return a path that is a file. Raises UsageError."""
    given = Path(path)
    if not given.is_file():
        raise UsageError(f"no {what} file {path!r}; check the name, or make one with: chargerd init FOLDER")
    return given


@dataclass(frozen=True, slots=True)
class Trio:
    """A profile, a cell and a bench that fit together, and the plan they make on one channel."""

    profile: ProfileFile
    cell: CellFile
    bench: BenchFile
    channel: str
    plan: Plan
    record: Standing

    @property
    def proven(self) -> frozenset[str]:
        """What a commissioning record that counts has proven."""
        return self.record.proven or frozenset()

    def facts(self) -> Facts:
        """Return what leaving such a run alone rests on."""
        from chargerd.config.hygiene import untended
        from chargerd.config.unattended import Facts
        from chargerd.instruments.abilities import abilities_of

        return Facts(
            self.bench, self.bench.channels[self.channel], self.plan,
            untended(self.profile, self.cell, self.bench, self.plan.limits), abilities_of(self.bench),
            self.record.proven, self.record.why_not,
        )  # fmt: skip


def load_trio(profile: str, cell: str, bench: str, channel: str | None) -> Trio:
    """Load and fit three files. Raises UsageError, ProfileError, BenchError."""
    from chargerd.config.bench import load_bench
    from chargerd.config.cell import load_cell
    from chargerd.config.plan import build_plan
    from chargerd.config.profile import load_profile
    from chargerd.daemon.records import Standing, standing_of

    profile_file = load_profile(profile_path(profile))
    cell_file = load_cell(existing(cell, "cell"))
    bench_file = load_bench(existing(bench, "bench"))
    name = channel or only_channel(bench_file)
    record = standing_of(bench_file, name) if name in bench_file.channels else Standing(None)
    plan = build_plan(profile_file, cell_file, bench_file, name, record.proven or ())
    return Trio(profile_file, cell_file, bench_file, name, plan, record)


def only_channel(bench: BenchFile) -> str:
    """Return the bench's channel when it has just one. Raises UsageError."""
    names = list(bench.channels)
    if len(names) != 1:
        raise UsageError(f"this bench has {len(names)} channels; say which: --channel {' or '.join(names)}")
    return names[0]


def data_folder(args_data: str | None, bench: str | None) -> Path:
    """Return the data folder: given, or the bench file's, or CHARGERD_DATA. Raises UsageError, BenchError."""
    if args_data is not None:
        if not Path(args_data).is_dir():
            raise UsageError(f"no folder {args_data!r}; check the name")
        return Path(args_data)
    if bench is not None:
        from chargerd.config.bench import load_bench

        return load_bench(existing(bench, "bench")).data_dir
    if "CHARGERD_DATA" in os.environ:
        return Path(os.environ["CHARGERD_DATA"])
    raise UsageError("which data folder? give --bench BENCH.yaml or --data FOLDER, or set CHARGERD_DATA")


def made(data: Path) -> Path:
    """Return the data folder, made when it is not there yet. Raises UsageError."""
    try:
        data.mkdir(mode=0o750, parents=True, exist_ok=True)
    except OSError as fault:
        raise UsageError(
            f"data folder {str(data)!r} cannot be made: {fault.strerror}; write another after `data:` in the bench file"
        ) from None
    return data


def run_folder(given: str, data: Path | None = None) -> Path:
    """Return a run folder named by path, or by name within a data folder. Raises UsageError."""
    candidates = [Path(given)] if data is None else [Path(given), data / "runs" / given]
    for candidate in candidates:
        if (candidate / "run.yaml").is_file():
            return candidate
    raise UsageError(f"no run {given!r} here: give the path of a run folder (it holds run.yaml); `chargerd runs` lists them")
