"""Serial ports of this computer, from what the kernel says of them. Nothing is opened: opening a port restarts some boards."""

from __future__ import annotations

import grp
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

TEXT_LENGTH_MAX = 60

ROOT = Path("/")
"""Where /dev, /proc and /sys are; tests put folders of their own in its place."""


@dataclass(frozen=True, slots=True)
class Port:
    """One port.

    `names` are the links of the device manager to it, which stay the same when the number changes. `usb` says what the adapter
    says of itself, `holder` who has the port open or locked, `trouble` why it cannot be used and what to do. All "" for nothing.
    """

    path: str
    names: tuple[str, ...]
    usb: str
    holder: str
    trouble: str

    @property
    def best_name(self) -> str:
        """The name to write into a bench file: by place, since adapters without serial numbers share one name by identity."""
        by_path = [name for name in self.names if "/by-path/" in name]
        return by_path[0] if by_path else (self.names[0] if self.names else self.path)


def shown(text: str) -> str:
    """Return a text from outside as it may be printed: printable ASCII, not too long."""
    clean = "".join(sign if " " <= sign <= "~" else "?" for sign in text)
    return clean if len(clean) <= TEXT_LENGTH_MAX else clean[:TEXT_LENGTH_MAX] + "..."


def read_text(path: Path) -> str:
    """Return the content of a small file of the kernel, "" when it cannot be read."""
    try:
        return path.read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        return ""


def serial_ports(root: Path = ROOT) -> list[Port]:
    """Return the serial ports, by path."""
    found = []
    holders = _holders(root)
    links = dict(_links(root))
    for entry in sorted((root / "sys/class/tty").glob("*")):
        device = root / "dev" / entry.name
        if not _is_port(entry) or not device.exists():
            continue
        names = tuple(sorted(name for name, target in links.items() if target == device.resolve()))
        path = "/" + str(device.relative_to(root))
        holder = holders.get(str(device.resolve()), "") or locker(device, root)
        found.append(Port(path, names, _usb(entry), holder, access_trouble(device, path)))
    return found


def _is_port(entry: Path) -> bool:
    """Tell ports from consoles and pseudo-terminals, and real ones from the spare numbers of a serial driver."""
    if not (entry / "device").exists():
        return False
    return read_text(entry / "type") != "0"  # PORT_UNKNOWN, include/uapi/linux/serial_core.h


def _links(root: Path) -> Iterator[tuple[str, Path]]:
    for folder in ("by-path", "by-id"):
        for link in (root / "dev/serial" / folder).glob("*"):
            yield f"/dev/serial/{folder}/{link.name}", link.resolve()


def _usb(entry: Path) -> str:
    """Return what the USB device above a port says of itself: numbers of maker and product, and its texts."""
    for folder in [entry.joinpath("device").resolve(), *entry.joinpath("device").resolve().parents][:6]:
        if (folder / "idVendor").is_file():
            ids = f"{shown(read_text(folder / 'idVendor'))}:{shown(read_text(folder / 'idProduct'))}"
            texts = [shown(read_text(folder / name)) for name in ("manufacturer", "product", "serial")]
            return " ".join(["USB", ids, *(f"{text!r}" for text in texts if text)])
    return ""


def _holders(root: Path) -> dict[str, str]:
    """Return device → the process that has it open, of the processes we may look into."""
    found: dict[str, str] = {}
    for process in (root / "proc").glob("[0-9]*"):
        try:
            opened = list((process / "fd").iterdir())
        except OSError:
            continue
        for descriptor in opened:
            try:
                target = str(descriptor.readlink())
            except OSError:
                continue
            if target.startswith(str(root / "dev/")) and int(process.name) != os.getpid():
                found[target] = f"{shown(read_text(process / 'comm')) or '?'} (process {process.name})"
    return found


def locker(device: Path, root: Path = ROOT) -> str:
    """Return the process that holds an advisory lock on a device; the kernel tells this of everybody's."""
    try:
        status = device.stat()
    except OSError:
        return ""
    wanted = f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}:{status.st_ino}"
    for line in read_text(root / "proc/locks").splitlines():
        words = line.split()
        if len(words) > 5 and words[1] == "FLOCK" and words[5] == wanted and words[4] != str(os.getpid()):
            return f"{shown(read_text(root / 'proc' / words[4] / 'comm')) or '?'} (process {words[4]})"
    return ""


def access_trouble(device: Path, path: str) -> str:
    """Return why a device may not be used by us and what to do, "" when it may."""
    if os.access(device, os.R_OK | os.W_OK):
        return ""
    try:
        status = device.stat()
        group = grp.getgrgid(status.st_gid).gr_name
    except (OSError, KeyError):
        return f"{path} may not be used by you; ask whoever looks after this computer"
    if status.st_mode & 0o060 != 0o060 or group == "root":
        return f"{path} belongs to {group} alone; ask whoever looks after this computer for a device rule"
    return f"{path} may not be used by you; join its group: sudo usermod -aG {group} $USER, then log out and in again"


def runs_modem_manager(root: Path = ROOT) -> bool:
    """Tell whether a program runs that writes modem commands to every new serial port."""
    return any(read_text(process / "comm") == "ModemManager" for process in (root / "proc").glob("[0-9]*"))
