"""`find`: list what is plugged in, ask who it is where a person says yes, and offer a first bench file."""

from __future__ import annotations

import argparse
import asyncio
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from chargerd.errors import Exit, LinkError, RefusedError, UsageError

if TYPE_CHECKING:
    from chargerd.instruments.finding.asking import Answer
    from chargerd.instruments.finding.ports import Port
    from chargerd.instruments.finding.sensors import FileSensor

UNITS_MAX = 32
"""A silent unit costs a third of a second; more of them at once is more than anybody has."""

LINES_SHOWN_MAX = 64


NOTHING = (
    "switch the instruments on, try their speed (--baud), --modbus PORT or --visa, or write one by hand: chargerd init FOLDER"
)


_OWN_WORDS = "to write a dialect from its manual: chargerd dialect new NAME"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("port", metavar="PORT", nargs="?", help="only this serial port, such as /dev/ttyUSB0")
    parser.add_argument("--baud", type=int, default=9600, help="speed at which serial ports are asked (9600)")
    parser.add_argument("--yes", action="store_true", help="ask the named port without a question before")
    parser.add_argument("--visa", nargs="?", const="@py", metavar="LIBRARY", help="VISA resources too; asks the local network")
    parser.add_argument("--modbus", metavar="PORT", help="Modbus units on this serial port")
    parser.add_argument("--units", default="1-10", metavar="A-B", help="which units --modbus asks (1-10)")
    parser.add_argument("--parity", choices=("none", "even", "odd"), default="none", help="of the Modbus line (none)")
    parser.add_argument("--write", metavar="FOLDER", help="write what was found into FOLDER/bench.yaml, for you to complete")


def run(args: argparse.Namespace) -> int:
    """List, ask, offer."""
    from chargerd.cli.find_bench import write_bench
    from chargerd.instruments.finding.ports import ROOT

    check_arguments(args)
    answers, sensors = search(args, ROOT, consent)
    if args.write:
        if not answers and not sensors:
            raise LinkError("nothing was found that a bench could be made of, so no bench.yaml was written; " + NOTHING)
        path = write_bench(Path(args.write), answers, sensors)
        print(f"\nWritten: {path}\nComplete it: each line that begins with `# ?` is a question. Then: chargerd check {path}")
    return Exit.OK


def check_arguments(args: argparse.Namespace) -> None:
    """Refuse what makes no sense. Raises UsageError, RefusedError."""
    if args.yes and not (args.port or args.modbus):
        raise UsageError("--yes goes with a port that you name: bytes may confuse a device that is no SCPI instrument")
    for port in (args.port, args.modbus):
        if port and not Path(port).exists():
            raise UsageError(f"no port {port!r}; chargerd find lists those there are")
        if port and not Path(port).is_char_device():
            raise UsageError(f"{port} is no serial port, and nothing is written to it; chargerd find lists those there are")
    if not 50 <= args.baud <= 4_000_000:
        raise UsageError("--baud is a speed such as 9600 or 115200")
    units_of(args.units)
    path = Path(args.write or ".") / "bench.yaml"
    if args.write and path.exists():
        raise RefusedError(f"{path} is there already; give another folder")


def units_of(text: str) -> range:
    """Read `1-10` or `5`. Raises UsageError."""
    first, _, last = text.partition("-")
    last = last or first
    if not (first.isdecimal() and last.isdecimal() and 1 <= int(first) <= int(last) <= 247):
        raise UsageError(f"--units {text}: write for example 1-10; units are 1 to 247")  # Serial Line V1.02 §2.2
    units = range(int(first), int(last) + 1)
    if len(units) > UNITS_MAX:
        raise UsageError(f"--units {text}: at most {UNITS_MAX} at once")
    return units


def consent(question: str) -> bool:
    """Ask; anything but a clear yes is no, and so is nobody there to answer."""
    try:
        return input(f"{question} [y/N] ").strip().lower() in ("y", "yes")
    except EOFError:
        print("no")
        return False


def search(
    args: argparse.Namespace, root: Path, agree: Callable[[str], bool]
) -> tuple[list[Answer], list[FileSensor]]:
    """Print all that is found below `root`; return who answered and the sensors that are files."""
    from chargerd.instruments.finding.sensors import file_sensors

    if args.modbus:
        return _find_units(args, agree), []
    answers = _find_ports(args, root, agree)
    if args.port:
        return answers, []
    sensors = file_sensors(root)
    _print_sensors(sensors)
    _print_chips(root)
    if args.visa:
        answers += _find_resources(args.visa, agree)
    else:
        print("\nVISA resources (USB, GPIB, network): chargerd find --visa. Modbus units: chargerd find --modbus PORT")
    _print_missing()
    return answers, sensors


# --- serial ports --------------------------------------------------------------------------------------------------------


def _find_ports(args: argparse.Namespace, root: Path, agree: Callable[[str], bool]) -> list[Answer]:
    from chargerd.instruments.finding.ports import Port, access_trouble, locker, runs_modem_manager, serial_ports

    ports = serial_ports(root)
    if args.port:
        device = Path(args.port).resolve()
        ports = [port for port in ports if Path(port.path).resolve() == device]
        ports = ports or [Port(args.port, (), "", locker(device, root), access_trouble(device, args.port))]
    print(f"Serial ports: {len(ports) or 'none'}")
    if runs_modem_manager(root):
        print('  ModemManager runs here and writes to each new port: give yours a device rule with ENV{ID_MM_DEVICE_IGNORE}="1"')
    answers = []
    for port in ports:
        _print_port(port)
        if port.trouble or port.holder:
            continue
        warning = f"sending *IDN? to {port.path} may confuse a device that is no SCPI instrument. Send?"
        if args.yes or agree(f"    {warning}"):
            answers += _asked_port(port, args.baud)
    return answers


def _print_port(port: Port) -> None:
    print(f"  {port.path}" + (f"  {port.usb}" if port.usb else ""))
    for name in port.names:
        print(f"    also {name}")
    if port.holder:
        print(f"    in use by {port.holder}: not asked")
    if port.trouble:
        print(f"    {port.trouble}")


def _asked_port(port: Port, baud: int) -> list[Answer]:
    from chargerd.instruments.finding.asking import ask_serial

    try:
        answer = asyncio.run(ask_serial(port.path, baud))
    except LinkError as fault:
        print(f"    cannot be used: {fault}")
        return []
    print(f"    {answer.heard} at {baud} baud")
    answer = replace(answer, address=answer.address.replace(f"//{port.path}?", f"//{port.best_name}?"))
    _print_dialects(answer)
    return [answer]


def _print_dialects(answer: Answer) -> None:
    from chargerd.instruments.finding.asking import shipped

    if not answer.dialects:
        print(f"    address: {answer.address}")
        print(f"    no shipped dialect knows it by this; {_OWN_WORDS}")
        return
    by_role: dict[str, list[str]] = {}
    for dialect in shipped():
        if dialect.name in answer.dialects:
            by_role.setdefault(dialect.role, []).append(dialect.name)
    for role, names in by_role.items():
        print(f"    if it is a {role}: {', '.join(names)}")
    print(f"    or it has words of its own; {_OWN_WORDS}")


# --- the rest ------------------------------------------------------------------------------------------------------------


def _print_sensors(sensors: Sequence[FileSensor]) -> None:
    print(f"\nThermometers that are files: {len(sensors) or 'none'}")
    for sensor in sensors:
        where = f"{sensor.address}" + (f"  input: {sensor.input}" if sensor.input else "")
        print(f"  {where}  {sensor.reading}" + (f"  ({sensor.label})" if sensor.label else ""))
        print(f'    dialect: {sensor.dialect}  identity: "{sensor.identity}"')


def _print_chips(root: Path) -> None:
    from chargerd.instruments.finding.chips import gpio_chips

    chips = gpio_chips(root)
    print(f"\nGPIO chips: {len(chips) or 'none'}")
    for chip in chips:
        print(f"  gpio://{chip.path}" + (f'  identity: "{chip.label}"' if chip.label else f"  {chip.trouble}"))
        named = [(number, name, user) for number, name, user in chip.lines if name or user]
        for number, name, user in named[:LINES_SHOWN_MAX]:
            print(f"    {number:>3} {name}" + (f"  in use by {user}" if user else ""))
        rest = len(chip.lines) - len(named[:LINES_SHOWN_MAX])
        if rest:
            print(f"    and {rest} lines more")


def _find_resources(library: str, agree: Callable[[str], bool]) -> list[Answer]:
    from chargerd.instruments.finding.asking import ask_lines
    from chargerd.instruments.finding.resources import visa_address, visa_resources

    print()
    if not agree("Looking for VISA resources may take 2 s and asks the local network. Look?"):
        return []
    try:
        names = visa_resources(library)
    except LinkError as fault:
        print(f"  {fault}")
        return []
    print(f"VISA resources: {len(names) or 'none'}")
    answers = []
    for name in names:
        print(f"  {name}")
        if not agree(f"    sending *IDN? to {name} may confuse a device that is no SCPI instrument. Send?"):
            continue
        try:
            answer = asyncio.run(ask_lines(visa_address(name, library)))
        except LinkError as fault:
            print(f"    cannot be used: {fault}")
            continue
        print(f"    {answer.heard}")
        _print_dialects(answer)
        answers.append(answer)
    return answers


def _find_units(args: argparse.Namespace, agree: Callable[[str], bool]) -> list[Answer]:
    from chargerd.instruments.finding.asking import ask_units

    units = units_of(args.units)
    asked = f"unit {units[0]}" if len(units) == 1 else f"units {units[0]} to {units[-1]}"
    question = f"reading a register of {asked} on {args.modbus} may confuse a device that speaks no Modbus. Ask?"
    if not (args.yes or agree(question)):
        return []
    answers = asyncio.run(ask_units(args.modbus, f"baud={args.baud}&parity={args.parity}", units))
    print(f"Modbus units on {args.modbus} at {args.baud} baud, parity {args.parity}: {len(answers) or 'none answers'}")
    for answer in answers:
        print(f"  {answer.heard}\n    {answer.address}" + (f'  identity: "{answer.identity}"' if answer.identity else ""))
        _print_dialects(answer)
    return answers


def _print_missing() -> None:
    from chargerd.instruments.transports.registry import missing_libraries

    for reason in missing_libraries().values():
        print(f"  not usable here: {reason}")
