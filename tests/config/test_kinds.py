"""A file says by its first key what it is."""

from __future__ import annotations

from pathlib import Path

import pytest

from chargerd.config.kinds import kind_of, load_any
from chargerd.errors import ProfileError
from tests.config.files import TEXTS, faults_of, write_files


@pytest.mark.parametrize("kind", sorted(TEXTS))
def test_a_file_is_told_by_the_key_it_is_named_with(kind: str, tmp_path: Path) -> None:
    paths, _ = write_files(tmp_path)

    assert kind_of(paths[kind]) == kind
    assert type(load_any(paths[kind])).__name__ == f"{kind.title()}File"


@pytest.mark.parametrize(("text", "what"), [
    ("mass: 3 g\n", "neither what profile, cell nor bench"), ("cell: a\nbench: b\n", "cell and bench at once"), ("", "empty"),
])  # fmt: skip
def test_a_file_that_does_not_say_what_it_is_is_refused(text: str, what: str, tmp_path: Path) -> None:
    path = tmp_path / "some.yaml"
    path.write_text(text)

    with pytest.raises(ProfileError) as caught:
        kind_of(path)

    assert what in faults_of(caught.value, tmp_path)[0]
    assert faults_of(caught.value, tmp_path)[0].startswith("some.yaml:1:1: ")
