"""An INVENTED supply of lines of text on a pty, in a process of its own, so that it can be stopped, killed or unplugged.

`python stand_in.py LOG [--takes END] [--answers END] [--at N WHAT]`: prints its device path, then serves it. LOG: every line it
took. WHAT happens right after the Nth time that it went on: `freeze` (it stops itself), `leave` (the plug is pulled), or the
name of a signal, sent to the process whose number stands in LOG.pid. `--no-trip`: its over-voltage protection never acts.
`--never-off`: it acknowledges off and stays on.
"""

from __future__ import annotations

import argparse
import os
import pty
import re
import signal
import tty
from pathlib import Path

ENDS = {"lf": b"\n", "cr": b"\r", "crlf": b"\r\n"}
SHOWN = {"SV": "%06.3f", "SI": "%.4f", "OV": "%05.2f", "OC": "%.2f"}
MOST = {"SV": 20.0, "SI": 3.0, "OV": 22.0, "OC": 3.3}


class Supply:
    """What it holds and answers."""

    def __init__(self, args: argparse.Namespace) -> None:
        self.args = args
        self.values = {"SV": 0.0, "SI": 0.0, "OV": 22.0, "OC": 3.3}
        self.is_on = False
        self.tripped = "N"
        self.times_on = 0

    def answer(self, line: str) -> str:
        """Return the answer to one line."""
        if line == "WHO":
            return "SHELF-2 SN0417 V1.3"
        if line in ("V?", "I?"):
            return "V=%06.3f" % (self.values["SV"] if self.is_on else 0.0) if line == "V?" else "I=0.0000"
        if line in ("ST?", "TR?"):
            return f"ST={self.is_on:d}" if line == "ST?" else f"TR={self.tripped}"
        if line == "RT":
            self.tripped = "N"
            return "OK"
        if line in ("ON", "OFF"):
            self.switch(line == "ON")
            return "OK"
        if asked := re.fullmatch(r"(SV|SI|OV|OC)\?", line):
            return f"{asked[1]}={SHOWN[asked[1]]}" % self.values[asked[1]]
        told = re.fullmatch(r"(SV|SI|OV|OC) ([0-9]+\.?[0-9]*)", line)
        if told and float(told[2]) <= MOST[told[1]]:
            self.values[told[1]] = float(told[2])
            return "OK"
        return "?"

    def switch(self, on: bool) -> None:
        """Go on or off; protection acts at once."""
        if not on and self.args.never_off:
            return
        self.is_on = on
        self.times_on += on
        if on and self.values["SV"] > self.values["OV"] and not self.args.no_trip:
            self.is_on, self.tripped = False, "V"

    def happens(self) -> None:
        """Do what was ordered for this time."""
        if not self.args.at or self.times_on != int(self.args.at[0]) or not self.is_on:
            return
        what = self.args.at[1]
        self.args.at = None
        if what == "leave":
            raise SystemExit
        if what == "freeze":
            os.kill(os.getpid(), signal.SIGSTOP)
        else:
            os.kill(int(Path(f"{self.args.log}.pid").read_text(encoding="ascii")), signal.Signals[what])


def main() -> None:
    """Serve until killed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("log")
    parser.add_argument("--takes", choices=ENDS, default="cr")
    parser.add_argument("--answers", choices=ENDS, default="crlf")
    parser.add_argument("--at", nargs=2)
    parser.add_argument("--no-trip", action="store_true")
    parser.add_argument("--never-off", action="store_true")
    args = parser.parse_args()
    master, slave = pty.openpty()
    tty.setraw(slave)
    supply, waiting = Supply(args), b""
    print(os.ttyname(slave), flush=True)
    with Path(args.log).open("a", encoding="ascii", buffering=1) as log:
        while True:
            waiting += os.read(master, 256)
            while ENDS[args.takes] in waiting:
                line, waiting = waiting.split(ENDS[args.takes], 1)
                said = supply.answer(line.decode("latin-1"))
                log.write(f"{line!r} {supply.is_on:d}\n")
                os.write(master, said.encode() + ENDS[args.answers])
                supply.happens()


if __name__ == "__main__":
    main()
