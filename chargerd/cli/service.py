"""The link that a run leaves for a service manager: whose outputs its stop command switches off, what its restart goes on with.

A unit names the link's place in CHARGERD_RUN_LINK, in a folder that lasts over automatic restarts and no longer. So a link that
is there already says that this start is such a restart: the run it names may go on, and no new one is begun.
"""

from __future__ import annotations

import os
from pathlib import Path

from chargerd.errors import RefusedError

RUN_LINK = "CHARGERD_RUN_LINK"


def begun_run() -> Path | None:
    """Return the run folder that this unit has begun already; None at a start by a person, or without a service manager."""
    place = os.environ.get(RUN_LINK, "")
    return Path(place).readlink() if place and Path(place).is_symlink() else None


def link_run(folder: Path) -> None:
    """Leave the link to this run's folder; without a service manager, nothing.

    Raises RefusedError when it cannot be left: after a crash nobody would know what to switch off.
    """
    place = os.environ.get(RUN_LINK, "")
    if not place:
        return
    new = Path(f"{place}.new")
    try:
        new.unlink(missing_ok=True)
        new.symlink_to(folder.resolve(), target_is_directory=True)
        new.replace(place)
    except OSError as fault:
        raise RefusedError(f"{place}: the service manager's link cannot be left there ({fault.strerror}); not started") from fault
