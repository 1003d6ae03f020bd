"""`simulate BENCH`: serve a bench's instruments, simulated, on their own addresses for anything else to talk to."""

from __future__ import annotations

import argparse
import asyncio
import signal
import sys
from typing import TYPE_CHECKING

from chargerd.errors import Exit, LinkClosedError, UsageError

if TYPE_CHECKING:
    from chargerd.sim.cell import Cell
    from chargerd.sim.world import World


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("bench", metavar="BENCH", help="the bench's file; its addresses must be on this machine")
    parser.add_argument("--cell", default="plover", metavar="NAME", help="which invented cell is connected (plover)")
    parser.add_argument("--open", action="store_true", help="no cell: open terminals, for commissioning")
    parser.add_argument("--formed", action="store_true", help="a formed cell instead of a fresh one")
    parser.add_argument("--small", action="store_true", help="a cell of a few farads, for tests at true speed")
    parser.add_argument("--seed", type=int, default=0, help="of all noise")
    parser.add_argument("--side-door", action="store_true", help="one more port for injecting faults and reading the truth")


def run(args: argparse.Namespace) -> int:
    """Serve until stopped."""
    from chargerd.cli.files import existing
    from chargerd.cli.simulated import devices_of_channels, wires_of_bench, world_of_bench
    from chargerd.config.bench import load_bench
    from chargerd.daemon.simulated_hand import hand_name
    from chargerd.sim.fixtures import FIXTURES

    bench = load_bench(existing(args.bench, "bench"))
    if args.cell not in FIXTURES:
        raise UsageError(f"no invented cell {args.cell!r}; there are: {', '.join(FIXTURES)}")
    cells: dict[str, Cell | list[Cell] | None] = {}
    for channel, spec in bench.channels.items():
        row = [_cell(args) for _ in spec.taps]
        cells[channel] = row or _cell(args)
        if args.open:
            if row:
                raise UsageError(f"channel {channel} is a string, and its taps hang on its cells: leave --open out")
            cells[channel] = None
    world = world_of_bench(bench, cells, seed=args.seed)
    wires: dict[str, dict[str, object]] = {
        name: {"wire": wire.kind, "port": wire.port, "link": wire.link or None, "folder": wire.folder}
        for name, wire in wires_of_bench(bench, list(cells)).items()
    }
    names = {device.name: ", ".join(device.members.values()) for device in devices_of_channels(bench, list(cells))}
    try:
        asyncio.run(_serve(world, wires, names, side_door=args.side_door, hand=hand_name(bench)))
    except OSError as fault:
        raise LinkClosedError(f"cannot listen: {fault.strerror or fault}; does something else use these ports?") from None
    return Exit.OK


def _cell(args: argparse.Namespace) -> Cell:
    from chargerd.sim.cell import Cell
    from chargerd.sim.fixtures import make_cell, small_cell

    cell = make_cell(args.cell, fresh=not args.formed)
    return Cell(small_cell(cell.parameters), fresh=not args.formed) if args.small else cell


async def _serve(
    world: World, wires: dict[str, dict[str, object]], names: dict[str, str], *, side_door: bool, hand: str
) -> None:
    from chargerd.sim.hand import open_hand
    from chargerd.sim.serve import Bench

    loop, stop = asyncio.get_running_loop(), asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    zero_s = loop.time()
    bench = Bench(world, lambda: loop.time() - zero_s)
    person: asyncio.Server | None = None
    try:
        addresses = await bench.start(wires)
        if hand:
            person = await open_hand(world, lambda: loop.time() - zero_s, hand)
        if side_door:
            print(f"side door {await bench.open_side_door()}")
        for name, address in addresses.items():
            print(f"{names[name]}: {address}")
        print("simulated instruments are ready; stop with Ctrl-C")
        sys.stdout.flush()
        await stop.wait()
    finally:
        if person is not None:
            person.close()
        await bench.close()
