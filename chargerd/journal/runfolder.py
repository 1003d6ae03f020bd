"""Where a run's files lie, who may read them, and the frozen copies of what the run was started with.

Every file is opened relative to its folder's descriptor, never through a link, never inherited by another program. Folders
are 0750 and files 0640 whatever the umask says: watchers are in the group, nobody else reads.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from fcntl import LOCK_EX, LOCK_NB, flock
from pathlib import Path
from typing import Any

import yaml

from chargerd.errors import JournalError, RefusedError
from chargerd.journal.rowcheck import is_utc

RUN_FILE = "run.yaml"
OFF_PLAN = "off-plan.json"
FOLDER_MODE = 0o750
FILE_MODE = 0o640
RUN_FILE_MAX_BYTES = 4 << 20
"""Three files of at most 256 KiB each, and what quoting adds; more is not one of ours."""
NAME_MAX = 64
FILE_NAME_MAX = 2 * NAME_MAX
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
_RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE)
"""Device names on some file systems a data folder may be copied to."""
_CHECK_LINE = b"check: "
CONVENTIONS: dict[str, str] = {
    "current": "charge positive, discharge negative",
    "time": "elapsed_s since the run began; utc is wall time as RFC 3339 and is never compared",
    "numbers": "decimal point, shortest text that reads back identically; an empty cell is unknown, never zero",
    "rows": "RFC 4180, UTF-8, CR LF; seq from 1 without holes; row_check is CRC-32 of the row's bytes before it",
    "order": "events with after_seq n follow readings row n, in the order of their own seq",
}


def checked_name(name: str, at_most: int = NAME_MAX) -> str:
    """Return the name when it may be part of a path and of a topic. Raises RefusedError."""
    harmless = _NAME.fullmatch(name) and len(name) <= at_most and ".." not in name and not name.endswith(".")
    if not harmless or _RESERVED.fullmatch(name):
        raise RefusedError(
            f"{name!r} cannot be a name: 1 to {at_most} letters, digits, dots, underscores and hyphens, beginning with a letter "
            "or digit, without two dots in a row or one at the end, and not a device name"
        )
    return name


@contextmanager
def opened_folder(folder: Path) -> Iterator[int]:
    """Give the descriptor of a folder, for opening files in it. Raises JournalError."""
    try:
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    except OSError as error:
        raise JournalError(f"{folder}: {error.strerror}") from error
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def open_file(folder: Path, name: str, flags: int) -> int:
    """Open `name` in `folder`; a new file gets its mode whatever the umask. The caller closes. Raises JournalError."""
    checked_name(name, FILE_NAME_MAX)
    with opened_folder(folder) as directory:
        try:
            descriptor = os.open(name, flags | os.O_NOFOLLOW | os.O_CLOEXEC, FILE_MODE, dir_fd=directory)
        except OSError as error:
            raise JournalError(f"{folder / name}: {error.strerror}") from error
    if flags & os.O_CREAT:
        os.fchmod(descriptor, FILE_MODE)
    return descriptor


def lock(descriptor: int, path: Path) -> None:
    """Keep every other writer out until the descriptor is closed. Raises RefusedError when there is one already."""
    try:
        flock(descriptor, LOCK_EX | LOCK_NB)
    except BlockingIOError:
        raise RefusedError(f"{path} is being written by another chargerd; stop that one first") from None


def make_folder(parent: Path, name: str, *, may_exist: bool) -> Path:
    """Make `parent/name`, so that it survives a power cut. Raises JournalError."""
    path = parent / name
    with opened_folder(parent) as directory:
        try:
            os.mkdir(name, FOLDER_MODE, dir_fd=directory)
        except FileExistsError:
            if may_exist:
                return path
            raise JournalError(f"{path} is there already") from None
        except OSError as error:
            raise JournalError(f"{path}: {error.strerror}") from error
        os.chmod(name, FOLDER_MODE, dir_fd=directory)
        os.fsync(directory)
    return path


def write_whole(folder: Path, name: str, content: bytes) -> str:
    """Write a whole file so that after a crash the old or the new one is there, never half. Return its SHA-256.

    Temporary file, fsync, rename, fsync of the folder. Raises JournalError.
    """
    temporary = f"{name}.new"
    with opened_folder(folder) as directory:
        try:
            descriptor = open_file(folder, temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            with os.fdopen(descriptor, "wb", buffering=0) as file:
                left = memoryview(content)
                while left:
                    left = left[file.write(left) :]
                os.fsync(descriptor)
            os.rename(temporary, name, src_dir_fd=directory, dst_dir_fd=directory)
            os.fsync(directory)
        except OSError as error:
            raise JournalError(f"{folder / name}: not written: {error.strerror}") from error
    return hashlib.sha256(content).hexdigest()


def read_whole(folder: Path, name: str, at_most_bytes: int = RUN_FILE_MAX_BYTES) -> bytes:
    """Read a whole file of ours. Raises JournalError when it is missing, unreadable or larger than ours can be."""
    with os.fdopen(open_file(folder, name, os.O_RDONLY), "rb") as file:
        content = file.read(at_most_bytes + 1)
    if len(content) > at_most_bytes:
        raise JournalError(f"{folder / name}: larger than {at_most_bytes} bytes")
    return content


@dataclass(frozen=True, slots=True)
class Frozen:
    """A file a person wrote, as it was when the run began."""

    name: str
    text: str

    @property
    def sha256(self) -> str:
        """SHA-256 of the file's bytes, hexadecimal."""
        return hashlib.sha256(self.text.encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class RunHead:
    """What a run is: its frozen files, the program that began it, and the instruments it was begun with.

    `proven`: what the bench's commissioning record had proven then, in readiness' words; the plan is computed with it.
    """

    channel: str
    started_utc: str
    program_version: str
    engine_version: str
    cell: Frozen
    bench: Frozen
    profile: Frozen
    identities: Mapping[str, str]
    proven: tuple[str, ...] = ()


def create_run(data: Path, head: RunHead) -> Path:
    """Make `<data>/runs/<UTC>_<cell>_<profile>` with its `run.yaml` and return it. Raises JournalError, RefusedError."""
    if not is_utc(head.started_utc):
        raise RefusedError(f"{head.started_utc!r} is not a UTC time")
    compact = re.sub(r"[-:]|\.\d+", "", head.started_utc)
    name = f"{compact}_{checked_name(head.cell.name)}_{checked_name(head.profile.name)}"
    folder = make_folder(make_folder(data, "runs", may_exist=True), name, may_exist=False)
    write_whole(folder, RUN_FILE, run_text(head))
    return folder


def run_text(head: RunHead) -> bytes:
    """Return `run.yaml`: readable, and ended by the SHA-256 of all lines above it."""
    frozen = {
        key: {"name": file.name, "sha256": file.sha256, "text": file.text}
        for key, file in (("cell", head.cell), ("bench", head.bench), ("profile", head.profile))
    }
    content = {
        "channel": head.channel,
        "started_utc": head.started_utc,
        "program_version": head.program_version,
        "engine_version": head.engine_version,
        "conventions": CONVENTIONS,
        "identities": dict(head.identities),
        "proven": sorted(head.proven),
        **frozen,
    }
    body: bytes = yaml.dump(content, Dumper=_Readable, sort_keys=False, allow_unicode=True, width=1 << 20, encoding="utf-8")
    return b"%b%b%b\n" % (body, _CHECK_LINE, hashlib.sha256(body).hexdigest().encode())


class _Readable(yaml.SafeDumper):
    """Writes a text of several lines as a block, so that the frozen files can be read where they lie."""


def _text(dumper: yaml.SafeDumper, text: str) -> yaml.ScalarNode:
    return dumper.represent_scalar("tag:yaml.org,2002:str", text, style="|" if "\n" in text else '"')


_Readable.add_representer(str, _text)


def read_run(folder: Path) -> RunHead:
    """Read `run.yaml` and check every hash in it. Raises JournalError when the file is missing or was changed."""
    path = folder / RUN_FILE
    body, found, check = read_whole(folder, RUN_FILE).rpartition(_CHECK_LINE)
    if not found or check != hashlib.sha256(body).hexdigest().encode() + b"\n":
        raise JournalError(f"{path}: changed since the run began; start a new run")
    try:
        content: Any = yaml.load(body, Loader=yaml.CSafeLoader)
        frozen = {key: Frozen(content[key]["name"], content[key]["text"]) for key in ("cell", "bench", "profile")}
        keys = ("channel", "started_utc", "program_version", "engine_version", "identities")
        plain: dict[str, Any] = {key: content[key] for key in keys}
        plain["proven"] = tuple(content.get("proven", ()))  # runs from before it was kept have none
        head = RunHead(**plain, cell=frozen["cell"], bench=frozen["bench"], profile=frozen["profile"])
        hashes = {key: content[key]["sha256"] for key in frozen}
    except (yaml.YAMLError, KeyError, TypeError) as error:
        raise JournalError(f"{path}: not a run file: {error}") from error
    for key, file in frozen.items():
        if file.sha256 != hashes[key]:
            raise JournalError(f"{path}: the frozen copy of {file.name} ({key}) does not fit its hash; start a new run")
    return head
