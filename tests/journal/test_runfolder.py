"""Run folders: names, permissions, whole files, frozen copies and their hashes."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from chargerd.core.events import Start
from chargerd.errors import JournalError, RefusedError
from chargerd.journal.ledger import CellLedger, ChannelLedger
from chargerd.journal.runfolder import (
    OFF_PLAN,
    RUN_FILE,
    Frozen,
    checked_name,
    create_run,
    make_folder,
    open_file,
    opened_folder,
    read_run,
    read_whole,
    run_text,
    write_whole,
)
from tests.journal.small_run import begun, head

UTC = "2027-01-15T08:00:00.000Z"
BAD_NAMES = (
    "", ".", "..", "a..b", "a/b", "/a", "../a", "a\\b", "-a", "_a", ".a", "a b", "a\n", "a\0b", "é", "a" * 65, "a.", "CON", "nul",
    "com1", "lpt9.csv", "Aux.txt", "a+b", "a#b", "$a", "~a", "a:b", "a*", "a?", "a|b", "<a", "a>", '"a"', "'a'", "a;b", "a%2fb",
    "=a", "@a", "\x1b[m", "a\u202e", "ａ",
)  # fmt: skip


@contextmanager
def umask(mask: int) -> Iterator[None]:
    before = os.umask(mask)
    try:
        yield
    finally:
        os.umask(before)


@pytest.mark.parametrize("name", BAD_NAMES)
def test_a_name_that_could_be_a_path_is_refused(name: str) -> None:
    with pytest.raises(RefusedError):
        checked_name(name)


@pytest.mark.parametrize("name", ["plover-01", "a", "0", "A.b_c-d", "a" * 64, "console", "com10"])
def test_a_plain_name_is_kept(name: str) -> None:
    assert checked_name(name) == name


def test_the_folder_is_named_by_time_cell_and_profile(tmp_path: Path) -> None:
    folder = create_run(tmp_path, head())
    assert folder == tmp_path / "runs" / "20270115T080000Z_plover-01_gentle-formation"


def test_a_run_is_never_begun_in_the_folder_of_another(tmp_path: Path) -> None:
    create_run(tmp_path, head())
    with pytest.raises(JournalError, match="there already"):
        create_run(tmp_path, head())


@pytest.mark.parametrize("started_utc", ["../../etc", "2027-01-15", ""])
def test_a_start_time_that_is_no_time_is_refused(tmp_path: Path, started_utc: str) -> None:
    with pytest.raises(RefusedError):
        create_run(tmp_path, replace(head(), started_utc=started_utc))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("mask", [0o000, 0o077])
def test_modes_are_exact_under_any_umask(tmp_path: Path, mask: int) -> None:
    with umask(mask):
        run = begun(tmp_path)
        run.command(Start())
        write_whole(run.folder, OFF_PLAN, b"{}\n")
        run.writer.close()
        for ledger in (ChannelLedger.open(tmp_path, "jetty"), CellLedger.open(tmp_path, "plover-01")):
            ledger.close()
    paths = list(tmp_path.rglob("*"))
    assert sum(path.is_file() for path in paths) == 7
    for path in paths:
        assert stat.S_IMODE(path.stat().st_mode) == (0o750 if path.is_dir() else 0o640), path


def test_a_link_is_never_followed(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").write_bytes(b"untouched")
    (tmp_path / "readings.csv").symlink_to(tmp_path / "elsewhere")
    for flags in (os.O_RDONLY, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, os.O_WRONLY | os.O_CREAT | os.O_EXCL):
        with pytest.raises(JournalError):
            open_file(tmp_path, "readings.csv", flags)
    assert (tmp_path / "elsewhere").read_bytes() == b"untouched"
    (tmp_path / "run").symlink_to(tmp_path)
    with pytest.raises(JournalError), opened_folder(tmp_path / "run"):
        pass


def test_descriptors_are_not_inherited(tmp_path: Path) -> None:
    descriptor = open_file(tmp_path, "a", os.O_WRONLY | os.O_CREAT)
    with opened_folder(tmp_path) as directory:
        assert (os.get_inheritable(descriptor), os.get_inheritable(directory)) == (False, False)
    os.close(descriptor)


def test_a_whole_file_replaces_the_old_one_and_leaves_nothing_beside_it(tmp_path: Path) -> None:
    write_whole(tmp_path, OFF_PLAN, b"old")
    # SHA-256 of "abc": FIPS 180-2, appendix B.1.
    assert write_whole(tmp_path, OFF_PLAN, b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [(OFF_PLAN, b"abc")]


def test_a_file_that_cannot_be_put_in_place_is_told(tmp_path: Path) -> None:
    (tmp_path / OFF_PLAN).mkdir()
    with pytest.raises(JournalError, match="not written"):
        write_whole(tmp_path, OFF_PLAN, b"abc")


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "runs").write_bytes(b"")
    with pytest.raises(JournalError):
        create_run(tmp_path, head())
    with pytest.raises(JournalError):
        make_folder(tmp_path, "a" * 300, may_exist=True)
    with pytest.raises(JournalError):
        make_folder(tmp_path / "nowhere", "a", may_exist=True)


def test_the_run_file_gives_back_what_was_frozen(tmp_path: Path) -> None:
    assert read_run(create_run(tmp_path, head())) == head()


@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=60), st.text(alphabet="ab: \n\r\t'\"|>#-\\\ufeff", max_size=60))
@settings(deadline=None)
def test_any_frozen_text_comes_back_identical(one: str, other: str) -> None:
    frozen = replace(head(), cell=Frozen("a", one), bench=Frozen("b", other), identities={"supply": other})
    content = yaml.safe_load(run_text(frozen))
    assert (content["cell"]["text"], content["bench"]["text"], content["identities"]["supply"]) == (one, other, other)


def test_the_run_file_says_how_to_read_the_run(tmp_path: Path) -> None:
    content = yaml.safe_load((create_run(tmp_path, head()) / RUN_FILE).read_bytes())
    assert content["conventions"]["current"] == "charge positive, discharge negative"
    assert content["cell"]["sha256"] == head().cell.sha256
    assert "name: plover-01\n" in (tmp_path / "runs" / "20270115T080000Z_plover-01_gentle-formation" / RUN_FILE).read_text()


def test_every_flipped_bit_of_the_run_file_is_found(tmp_path: Path) -> None:
    folder = create_run(tmp_path, head())
    whole = (folder / RUN_FILE).read_bytes()
    for bit in range(0, len(whole) * 8, 3):
        flipped = bytearray(whole)
        flipped[bit // 8] ^= 1 << bit % 8
        (folder / RUN_FILE).write_bytes(flipped)
        with pytest.raises(JournalError, match=RUN_FILE):
            read_run(folder)


@pytest.mark.parametrize("size", [0, 1, 100, -1])
def test_a_cut_run_file_is_found(tmp_path: Path, size: int) -> None:
    folder = create_run(tmp_path, head())
    (folder / RUN_FILE).write_bytes((folder / RUN_FILE).read_bytes()[:size])
    with pytest.raises(JournalError, match="changed since"):
        read_run(folder)


def test_a_missing_or_huge_run_file_is_refused(tmp_path: Path) -> None:
    folder = create_run(tmp_path, head())
    with pytest.raises(JournalError, match="larger"):
        read_whole(folder, RUN_FILE, 10)
    (folder / RUN_FILE).unlink()
    with pytest.raises(JournalError):
        read_run(folder)


def resealed(body: bytes) -> bytes:
    import hashlib

    return body + b"check: " + hashlib.sha256(body).hexdigest().encode() + b"\n"


def test_a_frozen_copy_that_does_not_fit_its_hash_is_refused(tmp_path: Path) -> None:
    folder = create_run(tmp_path, head())
    body = (folder / RUN_FILE).read_bytes().rpartition(b"check: ")[0]
    (folder / RUN_FILE).write_bytes(resealed(body.replace(b"112 g", b"113 g")))
    with pytest.raises(JournalError, match="frozen copy of plover-01"):
        read_run(folder)


@pytest.mark.parametrize("body", [b"a: [\n", b"- 1\n", b"cell: 1\n", b"cell: {name: a}\n"])
def test_a_file_that_is_no_run_file_is_refused(tmp_path: Path, body: bytes) -> None:
    (tmp_path / RUN_FILE).write_bytes(resealed(body))
    with pytest.raises(JournalError, match="not a run file"):
        read_run(tmp_path)
