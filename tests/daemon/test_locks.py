"""Two programs never share an instrument, however its address is written and whatever their surroundings."""

import os
import pty
import socket
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from chargerd.daemon.locks import AddressLocks
from chargerd.errors import RefusedError


@pytest.fixture
def port() -> int:
    """A port that no other test locks: it was free just now."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        number: int = listener.getsockname()[1]
        return number


@pytest.mark.parametrize(
    "other",
    [
        "tcp://127.0.0.1:{port}", "tcp://localhost:{port}", "tcp://LOCALHOST:{port}", "TCPIP::127.0.0.1::{port}::SOCKET",
        "TCPIP0::127.0.0.1::{port}::SOCKET", "tcp://127.0.0.1:{port}?eol=lf", "trace+tcp://127.0.0.1:{port}?log=wire.log",
        "visa://TCPIP::127.0.0.1::{port}::SOCKET",
    ],
)  # fmt: skip
def test_another_spelling_of_the_same_socket_is_refused(port: int, other: str) -> None:
    with AddressLocks([f"tcp://127.0.0.1:{port}"]), pytest.raises(RefusedError, match="another run on this machine uses"):
        AddressLocks([other.format(port=port)])


def test_a_link_to_a_serial_device_is_that_device(tmp_path: Path) -> None:
    (tmp_path / "by-path").symlink_to(tmp_path / "ttyUSB0")
    (tmp_path / "ttyUSB0").touch()
    for other in (f"serial://{tmp_path}/by-path?baud=9600", f"visa://ASRL{tmp_path}/ttyUSB0::INSTR"):
        with AddressLocks([f"serial://{tmp_path}/ttyUSB0"]), pytest.raises(RefusedError):
            AddressLocks([other])


@pytest.mark.parametrize("form", ["serial://{}", "serial-bytes://{}?baud=19200", "visa://ASRL{}::INSTR", "gpio://{}",
                                  "trace+serial://{}?log=wire.log", "serial://{}?listen=yes"])
def test_a_second_node_of_the_same_device_is_that_device(tmp_path: Path, form: str) -> None:
    """Two nodes of one pty, as a container or a rescue system may have them."""
    master, slave = pty.openpty()
    path = os.ttyname(slave)
    try:
        os.mknod(tmp_path / "another", 0o600 | stat.S_IFCHR, Path(path).stat().st_rdev)
    except PermissionError:
        (tmp_path / "another").symlink_to(path)
    try:
        with AddressLocks([f"serial://{path}"]), pytest.raises(RefusedError):
            AddressLocks([form.format(tmp_path / "another")])
    finally:
        os.close(slave)
        os.close(master)


def test_a_sensor_that_is_a_file_may_be_read_by_many(tmp_path: Path) -> None:
    with AddressLocks([f"file://{tmp_path}"]), AddressLocks([f"file://{tmp_path}"]) as other:
        assert other._held == []


def test_instruments_side_by_side_do_not_hinder_each_other(port: int) -> None:
    with AddressLocks([f"tcp://127.0.0.1:{port}", f"tcp://localhost:{port}"]), AddressLocks([f"tcp://127.0.0.2:{port}"]) as other:
        with pytest.raises(RefusedError):
            AddressLocks([f"tcp://127.0.0.2:{port}"])
        other.close()
        AddressLocks([f"tcp://127.0.0.2:{port}"]).close()


def test_a_lock_holds_against_another_process_with_other_folders_and_is_free_when_it_ends(port: int, tmp_path: Path) -> None:
    """Whether a shell, a service or another login starts it: each has a run-time folder of its own, or none."""
    program = (
        "import sys; from chargerd.daemon.locks import AddressLocks\n"
        f"held = AddressLocks(['tcp://127.0.0.1:{port}']); print('held', flush=True); sys.stdin.read()"
    )
    environment = {"XDG_RUNTIME_DIR": str(tmp_path), "PYTHONPATH": str(Path(__file__).parents[2])}
    with subprocess.Popen(
        [sys.executable, "-c", program], env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(RefusedError):
            AddressLocks([f"tcp://127.0.0.1:{port}"])
        holder.kill()
        holder.wait()
    AddressLocks([f"tcp://127.0.0.1:{port}"]).close()
