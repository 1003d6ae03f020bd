"""What a VISA library finds. It may take 2 s and speak to the local network: only where a person has said yes."""

from __future__ import annotations

import pyvisa.errors

from chargerd.errors import LinkError
from chargerd.instruments.transports.visa import manager

PYTHON_LIBRARY = "@py"


def visa_resources(library: str = PYTHON_LIBRARY) -> list[str]:
    """Return the resources a VISA library lists, serial ports of this computer left out (they are found better elsewhere).

    Raises:
        LinkError: the library is not there, or fails.
    """
    try:
        names = manager(library).list_resources("?*")
    except (pyvisa.errors.Error, OSError, ValueError, AttributeError) as fault:
        raise LinkError(f"the VISA library {library} cannot list anything: {fault}") from None
    return sorted(name for name in names if not name.upper().startswith("ASRL/"))


def visa_address(resource: str, library: str = PYTHON_LIBRARY) -> str:
    """Return a resource as an address of a bench file."""
    return f"visa://{resource}" if library == PYTHON_LIBRARY else f"visa://{resource}?library={library}"
