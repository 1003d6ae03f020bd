"""The verb `commission` before anything is sent, and the process behind it that nobody starts by hand."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from chargerd.cli.files import example_bench
from chargerd.cli.main import main
from chargerd.daemon.locks import AddressLocks
from chargerd.errors import Exit
from tests.processes.bench_process import ROOT


def typed(folder: Path, *module_and_arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a module to its end; whoever is asked says yes."""
    environment = {key: value for key, value in os.environ.items() if not key.startswith("CHARGERD_")} | {"PYTHONPATH": str(ROOT)}
    return subprocess.run(
        [sys.executable, "-m", *module_and_arguments], cwd=folder, env=environment, input="yes\n" * 9, capture_output=True, text=True,
        timeout=60, check=False,
    )  # fmt: skip


def test_a_dead_man_relay_that_a_run_feeds_is_not_proven_beside_it(tmp_path: Path) -> None:
    far, near = os.openpty()
    try:
        path = os.ttyname(near)
        dead_man = f'dead_man: {{feed: "line://{path}", drop_out: 5 s, cuts: [supply, load]}}\n'
        (tmp_path / "bench.yaml").write_text(example_bench().read_text(encoding="utf-8") + dead_man, encoding="utf-8")
        with AddressLocks([f"serial://{path}"]):
            done = typed(tmp_path, "chargerd", "commission", "bench.yaml")
    finally:
        os.close(far)
        os.close(near)

    assert done.returncode == Exit.REFUSED
    assert f"another run on this machine uses serial://{path}" in done.stderr
    assert "are you ready" not in done.stdout


def test_the_process_that_proves_refuses_without_its_keeper(tmp_path: Path) -> None:
    (tmp_path / "bench.yaml").write_text(example_bench().read_text(encoding="utf-8"), encoding="utf-8")
    done = typed(tmp_path, "chargerd.daemon.commissioner", "bench.yaml", "slip-1")

    assert done.returncode == Exit.REFUSED
    assert "nobody would guard this" in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["bench.yaml"]


def test_what_is_answered_with_anything_but_yes_sends_nothing(tmp_path: Path) -> None:
    (tmp_path / "bench.yaml").write_text(example_bench().read_text(encoding="utf-8"), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "chargerd", "commission", "bench.yaml"], cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip

    assert done.returncode == Exit.FILE_OR_COMMAND
    assert "nothing was sent" in done.stderr


def test_a_channel_the_bench_does_not_have_is_refused_before_anything_is_made(tmp_path: Path) -> None:
    bench = tmp_path / "bench.yaml"
    bench.write_text(example_bench().read_text(encoding="utf-8"), encoding="utf-8")

    assert main(["commission", str(bench), "--channel", "slip-9"]) == Exit.FILE_OR_COMMAND
    assert [path.name for path in tmp_path.iterdir()] == ["bench.yaml"]
