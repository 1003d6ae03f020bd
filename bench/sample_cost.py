"""Cost of one sample over TCP as a ratio to a hand-written loop that asks the same questions and appends a row. Goal: 1.15.

The simulated instruments run in a process of their own. Both loops ask one question at a time.
"""

from __future__ import annotations

import asyncio
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from bench.run_in_memory import new_run
from chargerd import ENGINE_VERSION
from chargerd.cli.files import example_bench
from chargerd.core.demand import Activity, Demand, Energise
from chargerd.core.engine import Engine
from chargerd.core.events import CheckPassed, Observed, Start
from chargerd.core.reading import Reading
from chargerd.daemon.clock import real_clock
from chargerd.daemon.frozen import FrozenRun
from chargerd.instruments.bench import ChannelBench
from chargerd.journal.writer import JournalWriter

SAMPLES = 1500
ROUNDS = 5
QUESTIONS = (
    ("supply", b"MEAS:VOLT?"), ("supply", b"MEAS:CURR?"), ("supply", b"OUTP?"), ("supply", b"STAT:QUES:COND?"),
    ("load", b"INP?"), ("probe", b"MEAS:TEMP?"),
)  # fmt: skip
"""The bare loop's questions; the number the channel asks is counted and printed beside it."""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def bare(ports: dict[str, int], path: Path) -> float:
    """Seconds a sample of the hand-written loop."""
    links = {name: socket.create_connection(("127.0.0.1", port)) for name, port in ports.items()}
    for link in links.values():
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    began_s = time.perf_counter()
    with path.open("a", encoding="ascii") as file:
        for number in range(SAMPLES):
            values = []
            for name, question in QUESTIONS:
                links[name].sendall(question + b"\n")
                reply = b""
                while not reply.endswith(b"\n"):
                    reply += links[name].recv(4096)
                values.append(float(reply))
            file.write(f"{number},{time.time()},{','.join(map(str, values))}\n")
            file.flush()
    took_s = time.perf_counter() - began_s
    for link in links.values():
        link.close()
    return took_s / SAMPLES


async def bare_streams(ports: dict[str, int], path: Path) -> float:
    """Seconds a sample of the same loop on asyncio streams: what a program must pay that does anything else besides."""
    links = {name: await asyncio.open_connection("127.0.0.1", port) for name, port in ports.items()}
    began_s = time.perf_counter()
    with path.open("a", encoding="ascii") as file:
        for number in range(SAMPLES):
            values = []
            for name, question in QUESTIONS:
                reader, writer = links[name]
                writer.write(question + b"\n")
                async with asyncio.timeout(0.5):
                    values.append(float(await reader.readuntil(b"\n")))
            file.write(f"{number},{time.time()},{','.join(map(str, values))}\n")
            file.flush()
    took_s = time.perf_counter() - began_s
    for _, writer in links.values():
        writer.close()
    return took_s / SAMPLES


async def ours(run: FrozenRun) -> tuple[float, float]:
    """Seconds and questions a sample of read → take → write the row, as the channel does it."""
    clock = real_clock()
    bench = await ChannelBench.open(run.bench, "slip-1", now=clock.now_s)
    await bench.identify()
    await bench.check_quiet()
    await bench.write_limits(ovp_V=run.plan.ovp_V, ocp_A=run.plan.ocp_A, load_ocp_A=run.plan.ocp_A)
    engine = Engine(run.plan)
    folder = run.folder
    for name in ("readings.csv", "events.csv", "readings.csv-metadata.json"):
        (folder / name).unlink(missing_ok=True)
    journal = JournalWriter.create(folder, bench.columns, engine_version=ENGINE_VERSION)
    engine.command(Start(), 0.0)
    engine.command(CheckPassed(), 0.0)
    await bench.apply_raise(
        Demand(Energise.SOURCE, Activity.CHARGE, 1e9, 5.0, 1.75, 0.15, run.plan.ovp_V, run.plan.ocp_A)
    )
    asked = bench.exchanges
    began_s, zero_s = time.perf_counter(), clock.now_s()
    for number in range(SAMPLES):
        inputs = await bench.read(full=False)
        reading = Reading(round(clock.now_s() - zero_s, 3), inputs)
        engine.take(reading, reading.elapsed_s)
        if number == 0:
            engine.command(Observed("supply", "on", verified=True), reading.elapsed_s)
        journal.reading(reading, engine.derived, clock.utc())
    took_s = time.perf_counter() - began_s
    questions = bench.exchanges - asked
    await bench.make_safe()
    await bench.close()
    journal.close()
    return took_s / SAMPLES, questions / SAMPLES


def measure() -> Iterator[str]:
    with tempfile.TemporaryDirectory() as folder:
        ports = {name: free_port() for name in ("supply", "load", "probe")}
        text = example_bench().read_text(encoding="utf-8")
        for name, port in (("supply", 5025), ("load", 5026), ("probe", 5027)):
            text = text.replace(f"127.0.0.1:{port}", f"127.0.0.1:{ports[name]}")
        run = new_run(Path(folder), text)
        served = subprocess.Popen(
            [sys.executable, "-m", "chargerd", "simulate", str(Path(folder) / "bench.yaml")], stdout=subprocess.PIPE, text=True
        )
        assert served.stdout is not None
        try:
            while "ready" not in served.stdout.readline():
                pass
            bares, streams, took, questions = [], [], [], 0.0
            for _ in range(ROUNDS):
                bares.append(bare(ports, Path(folder) / "rows.csv"))
                streams.append(asyncio.run(bare_streams(ports, Path(folder) / "rows.csv")))
                took_s, questions = asyncio.run(ours(run))
                took.append(took_s)
        finally:
            served.terminate()
            served.wait()
    yield f"{statistics.median(took) * 1e6:.0f} µs a sample with {questions:.1f} questions (medians of {ROUNDS} rounds)"
    for name, others in (("blocking sockets", bares), ("asyncio streams", streams)):
        ratio = statistics.median(ours_s / other_s for ours_s, other_s in zip(took, others, strict=True))
        yield (
            f"bare loop on {name}: {statistics.median(others) * 1e6:.0f} µs with {len(QUESTIONS)}; "
            f"ratio {ratio:.2f}, goal 1.15"
        )
