"""The verb `commission` before anything is sent."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from chargerd.cli.files import example_bench
from chargerd.cli.main import main
from chargerd.daemon.locks import AddressLocks
from chargerd.errors import Exit


def test_a_dead_man_relay_that_a_run_feeds_is_not_proven_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    far, near = os.openpty()
    try:
        path = os.ttyname(near)
        dead_man = f'dead_man: {{feed: "line://{path}", drop_out: 5 s, cuts: [supply, load]}}\n'
        bench = tmp_path / "bench.yaml"
        bench.write_text(example_bench().read_text(encoding="utf-8") + dead_man, encoding="utf-8")
        monkeypatch.setattr("builtins.input", lambda _prompt="": "yes")

        with AddressLocks([f"serial://{path}"]):
            code = main(["commission", str(bench)])
    finally:
        os.close(far)
        os.close(near)

    assert code == Exit.REFUSED
    assert f"another run on this machine uses serial://{path}" in capsys.readouterr().err
