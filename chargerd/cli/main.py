"""`chargerd`: picks the verb and turns every error into one clear message and an exit code.

Each verb is a module of its own with `add_arguments(parser)` and `run(args) -> int`, imported only when it is asked for.
"""

from __future__ import annotations

import argparse
import difflib
import importlib
import os
import sys
from typing import NoReturn

from chargerd import __version__
from chargerd.errors import ChargerdError, Exit, FileFaultsError

VERBS: dict[str, str] = {
    "demo": "the whole job on a simulated bench: forms three cells, trips one run on purpose, prints verdicts",
    "init": "ask questions and write bench, cell and profile files for your own bench",
    "commission": "prove a bench step by step with no cell on it, and sign the record",
    "find": "list instruments, sensors and pins that are plugged in; asks before it writes to any port",
    "check": "check files alone and together, and say what is not active on this bench",
    "wiring": "draw the bench for the person who builds it: connections, fuses, parts list, isolation warnings",
    "schema": "print the JSON Schema of a kind of file",
    "rehearse": "run a profile on a simulated cell: how long, charge, energy, gas, heat, what ends each step",
    "run": "run a profile on a cell in the foreground, keeper included; a closed terminal makes safe",
    "resume": "go on with a run that was paused or interrupted",
    "stop": "end a run early, in order",
    "clear": "clear a tripped channel, with a reason; starts nothing",
    "status": "what a run is doing now",
    "off": "every output off, verified, independent of everything else",
    "note": "write a dated fact about a cell: a weighing, a voltage read by hand, a remark",
    "runs": "list the runs of a data folder",
    "report": "the verdict of finished runs, side by side when there are several",
    "replay": "prove that a run's record reproduces its decisions",
    "dialect": "list, write or prove how an instrument is spoken to",
    "simulate": "serve the instruments of a bench file, simulated, for anything else to talk to",
}
"""Every verb with its line of help; the manual's table is compared with this one by a test."""


class Parser(argparse.ArgumentParser):
    """Says what is wrong in one line and what to type instead."""

    def error(self, message: str) -> NoReturn:
        """Print one line and leave with the exit code for a wrong command line."""
        sys.stderr.write(f"{self.prog}: {message}; see: {self.prog} --help\n")
        raise SystemExit(Exit.FILE_OR_COMMAND)


def top_parser() -> Parser:
    """Return the parser of the program itself, for `--help`."""
    width = max(map(len, VERBS)) + 2
    table = "\n".join(f"  {verb:<{width}}{text}" for verb, text in VERBS.items())
    parser = Parser(
        prog="chargerd",
        description="Form, charge, measure and judge hand-made aqueous zinc/carbon cells.",
        epilog=f"verbs:\n{table}\n\n`chargerd VERB --help` tells more. For vented aqueous zinc/carbon cells only: they give off\n"
        "hydrogen. Never seal them, ventilate, no sparks; follow your local codes.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"chargerd {__version__}")
    parser.add_argument("verb", metavar="VERB", choices=list(VERBS), help="what to do")
    return parser


def main(argv: list[str] | None = None) -> int:
    """Run one verb and return the exit code. Never a traceback for what a person or the bench did."""
    given = sys.argv[1:] if argv is None else argv
    if not given:
        top_parser().print_help()
        return Exit.FILE_OR_COMMAND
    try:
        if given[0] not in VERBS:
            _no_verb(given[0])
        return _run_verb(given[0], given[1:])
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else Exit.FILE_OR_COMMAND
    except FileFaultsError as fault:
        sys.stderr.write("".join(f"{line}\n" for line in fault.faults))
        return fault.exit_code
    except ChargerdError as fault:
        sys.stderr.write(f"chargerd {given[0]}: {fault}\n")
        return fault.exit_code
    except BrokenPipeError:
        # The reader of our output went away (for example `| head`): nothing is wrong, and nothing more can be said.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return Exit.OK
    except KeyboardInterrupt:
        sys.stderr.write("\nchargerd: interrupted\n")
        return Exit.STOPPED


def _no_verb(given: str) -> NoReturn:
    """Answer `--help` and `--version`; else say what there is that is spelled like it. Always leaves."""
    parser = top_parser()
    if given.startswith("-") and any(option.startswith(given) for option in ("-h", "--help", "--version")):
        parser.parse_args([given])
    close = difflib.get_close_matches(given.lower(), VERBS, 1, 0.5)
    parser.error(f"no verb {given!r}" + (f"; did you mean: chargerd {close[0]}" if close else ""))


def _run_verb(verb: str, rest: list[str]) -> int:
    module = importlib.import_module(f"chargerd.cli.{verb}")
    parser = Parser(prog=f"chargerd {verb}", description=VERBS[verb][0].upper() + VERBS[verb][1:] + ".")
    module.add_arguments(parser)
    code: int = module.run(parser.parse_args(rest))
    if code == Exit.OK and "NOTIFY_SOCKET" in os.environ:
        _tell_done()
    return code


def _tell_done() -> None:
    """Tell a service manager that there was nothing to become: one that ends without a word it takes for broken, and retries."""
    from chargerd.daemon.keeper import notify

    notify("READY=1\nSTATUS=nothing to do")


if __name__ == "__main__":
    sys.exit(main())
