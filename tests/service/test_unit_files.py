"""The unit files against systemd itself, and their numbers against those the program computes with."""

from __future__ import annotations

import importlib
import re
import shlex
import shutil
import signal
import subprocess
from argparse import ArgumentParser
from fnmatch import fnmatchcase
from pathlib import Path

import pytest

from chargerd.config.bench import load_bench
from chargerd.config.safety_time import PLAN_SPARE_S, SERVICE_MANAGER_S, off_plan_s
from chargerd.daemon import keeper, off
from chargerd.errors import Exit

from .unit_files import AWAKE, CONFINED, OFF, PROGRAM, RESUME, ROOT, RUN, SYSTEMD, one, read_unit, seconds

OURS = (RUN, RESUME, OFF)
ALL = (*OURS, AWAKE)
EXPOSURE_MOST = 15
"""Ten times the exposure level that `systemd-analyze security` may come to."""
AGAIN = {Exit.INSTRUMENT, Exit.INTERNAL, Exit.KEEPER_ACTED}
"""After these a restart may do better, and the rules of resumption are asked."""
ENDED_EARLY = 128 + signal.SIGTERM
"""A worker that was asked to end before anything was permitted to be on, as its keeper tells it."""
BENCHES = sorted((ROOT / "examples" / "boathouse").glob("bench*.yaml"))


@pytest.fixture
def analyze() -> str:
    found = shutil.which("systemd-analyze")
    if found is None:
        pytest.skip("systemd-analyze is not installed (Debian: apt-get install systemd)")
    return found


@pytest.fixture
def installed(tmp_path: Path) -> Path:
    """The units in a folder, each with a program that exists: `verify` looks whether it can be executed."""
    folder, program = tmp_path / "units", tmp_path / "chargerd"
    shutil.copytree(SYSTEMD, folder)
    program.write_text("#!/bin/sh\n", encoding="ascii")
    program.chmod(0o755)
    for path in folder.glob("*.service"):
        path.write_text(path.read_text(encoding="utf-8").replace(PROGRAM, str(program)), encoding="utf-8")
    return folder


def said(command: list[str], folder: Path) -> tuple[int, str]:
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=50, check=False)
    return done.returncode, done.stdout + done.stderr


def complaints(analyze: str, folder: Path) -> list[str]:
    """What `verify` says about our units; what it says about others of this machine is not ours."""
    _, text = said([analyze, "verify", "--man=no", *(f"./{name}" for name in ALL)], folder)
    return [line for line in text.splitlines() if "chargerd" in line or "awake" in line]


@pytest.mark.peer
def test_systemd_understands_every_line_of_every_unit(analyze: str, installed: Path):
    assert complaints(analyze, installed) == []


@pytest.mark.peer
def test_a_line_that_systemd_does_not_understand_would_be_seen(analyze: str, installed: Path):
    path = installed / CONFINED
    path.write_text(path.read_text(encoding="utf-8") + "WatchDogSec=10\n", encoding="utf-8")

    assert any("WatchDogSec" in line for line in complaints(analyze, installed))


@pytest.mark.peer
@pytest.mark.parametrize("name", ALL)
def test_no_unit_is_exposed_more_than_it_may_be(analyze: str, installed: Path, name: str):
    code, text = said([analyze, "security", "--offline=true", f"--threshold={EXPOSURE_MOST}", f"./{name}"], installed)

    assert (code, "Overall exposure level" in text) == (0, True), text


@pytest.mark.peer
def test_without_its_confinement_a_unit_would_be_refused(analyze: str, installed: Path):
    (installed / CONFINED).unlink()

    code, _ = said([analyze, "security", "--offline=true", f"--threshold={EXPOSURE_MOST}", f"./{RUN}"], installed)

    assert code != 0


# --- numbers ------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [RUN, RESUME])
def test_a_hung_keeper_is_answered_within_the_time_that_every_profile_is_checked_with(name: str):
    unit = read_unit(name)

    assert seconds(unit, "WatchdogSec") + seconds(unit, "TimeoutAbortSec") + off.ASK_S == SERVICE_MANAGER_S


@pytest.mark.parametrize("name", [RUN, RESUME])
def test_the_keeper_acts_before_the_service_manager_does_and_feeds_it_often_enough(name: str):
    watchdog_s = seconds(read_unit(name), "WatchdogSec")

    assert watchdog_s > keeper.PATIENCE_S + 2 * keeper.KILL_S
    assert watchdog_s >= keeper.TICK_S * 10


@pytest.mark.parametrize("name", [RUN, RESUME])
def test_no_off_plan_is_cut_short_by_the_time_a_stop_may_take(name: str):
    stop_s = seconds(read_unit(name), "TimeoutStopSec")
    plans_s = {(path.name, channel): off_plan_s(bench, spec) for path in BENCHES for bench in [load_bench(path)] for channel, spec in bench.channels.items()}

    assert stop_s > keeper.PATIENCE_S + 2 * keeper.KILL_S + keeper.OFF_MAX_S  # asked to die, then killed
    assert [where for where, plan_s in plans_s.items() if not off.ASK_S + plan_s < keeper.OFF_MAX_S] == []
    assert len(plans_s) >= len(BENCHES) >= 4


def test_a_start_waits_for_off_and_then_for_the_keeper():
    """`resume` executes the off plan before it becomes the keeper."""
    start_s = {name: seconds(read_unit(name), "TimeoutStartSec") for name in OURS}

    assert min(start_s.values()) > off.ASK_S + keeper.OFF_MAX_S + PLAN_SPARE_S


def test_restarts_are_counted_by_the_service_manager_alone():
    for name in (RUN, RESUME):
        unit = read_unit(name)
        assert (one(unit, "Unit", "StartLimitBurst"), one(unit, "Unit", "StartLimitIntervalSec")) == ("5", "600")


# --- what is done after which end -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [RUN, RESUME])
def test_every_exit_code_either_may_be_tried_again_or_must_not(name: str):
    unit = read_unit(name)
    never = {int(code) for code in one(unit, "Service", "RestartPreventExitStatus").split()}

    assert one(unit, "Service", "Restart") == "on-failure"
    assert never == set(Exit) - AGAIN | {ENDED_EARLY}
    assert {int(code) for code in one(unit, "Service", "SuccessExitStatus").split()} == {Exit.STOPPED, ENDED_EARLY}


def test_the_page_says_what_follows_each_exit_code():
    page = (ROOT / "SERVICE.md").read_text(encoding="utf-8")
    listed = [{int(code) for code in re.findall(r"\b[0-9]+\b", row)} for row in re.findall(r"^\| ([0-9][^|]*) \|", page, re.MULTILINE)]
    ended = {int(Exit.OK), int(Exit.STOPPED), ENDED_EARLY}

    assert listed == [ended, {int(code) for code in set(Exit) - AGAIN} - ended, {1, *map(int, AGAIN)}]


def test_both_units_with_a_keeper_differ_in_what_they_start_and_in_nothing_that_guards():
    """And only what was broken off is ever started by a boot."""
    run, resume = read_unit(RUN), read_unit(RESUME)
    own = {"ExecStart", "Environment", "EnvironmentFile"}
    guards = [{key: value for key, value in unit["Service"].items() if key not in own} for unit in (run, resume)]

    assert guards[0] == guards[1]
    assert run["Service"]["Environment"][-1] == resume["Service"]["Environment"][-1] == "CHARGERD_RUN_LINK=%t/%N/run"
    assert ("Install" in run, resume["Install"]) == (False, {"WantedBy": ["multi-user.target"]})


@pytest.mark.parametrize("name", [RUN, RESUME])
def test_all_is_off_before_any_channel_starts_and_before_the_computer_sleeps(name: str):
    unit = read_unit(name)["Unit"]

    assert OFF in " ".join(unit["Requires"])
    assert OFF in " ".join(unit["After"])
    assert unit["Conflicts"] == unit["Before"] == ["sleep.target"]


def test_all_off_first_is_done_once_in_a_boot_and_not_again_while_something_runs():
    """A condition would leave it inactive where no plan lies yet, and the next start would execute what lies there by then."""
    unit = read_unit(OFF)

    assert (one(unit, "Service", "Type"), one(unit, "Service", "RemainAfterExit")) == ("oneshot", "yes")
    assert [key for key in unit["Unit"] if key.startswith(("Condition", "Assert"))] == []


@pytest.mark.parametrize("name", [RUN, RESUME, OFF])
def test_serial_adapters_may_be_used_although_they_are_plugged_in_later(name: str):
    """A device group that the kernel does not know when the unit starts stays forbidden (systemd.resource-control(5))."""
    unit, allowed = read_unit(name)["Unit"], read_unit(CONFINED)["Service"]["DeviceAllow"]

    for module in ("usbserial", "cdc_acm"):
        assert all(f"modprobe@{module}.service" in " ".join(unit[key]) for key in ("Wants", "After"))
    assert {"char-ttyUSB rw", "char-ttyACM rw", "char-gpiochip rw"} <= set(allowed)


def test_memory_that_runs_out_takes_these_last_and_ends_them_whole():
    service = read_unit(CONFINED)["Service"]

    assert (service["OOMScoreAdjust"], service["OOMPolicy"], service["MemoryMax"]) == (["-500"], ["stop"], ["256M"])


def test_off_can_see_the_worker_whose_port_it_frees():
    """Each process of a unit is in a user namespace of its own; a hidden /proc would hide the worker from off, and the boot's id."""
    service = read_unit(CONFINED)["Service"]

    assert (service["PrivateUsers"], "ProtectProc" in service, "ProcSubset" in service) == (["yes"], False, False)


# --- what is typed in them ------------------------------------------------------------------------------------------------


def command_lines() -> list[str]:
    """Every command line of the program in the units and in SERVICE.md."""
    texts = [line for name in OURS for key in ("ExecStart", "ExecStopPost") for line in read_unit(name)["Service"].get(key, [])]
    texts += re.findall(rf"^.*{PROGRAM} .*$", (ROOT / "SERVICE.md").read_text(encoding="utf-8"), re.MULTILINE)
    return [re.sub(r"'$", "", line.partition(f"{PROGRAM} ")[2]) for line in texts]


@pytest.mark.parametrize("line", command_lines())
def test_every_command_line_of_the_units_is_understood(line: str):
    verb, *rest = shlex.split(line)
    parser = ArgumentParser(exit_on_error=False)
    importlib.import_module(f"chargerd.cli.{verb}").add_arguments(parser)

    _, unknown = parser.parse_known_args(rest)

    assert unknown == []


def test_the_command_lines_are_found_at_all():
    assert [line.split()[0] for line in command_lines()] == ["run", "off", "resume", "off", "off", "check", "commission"]


# --- udev, users, folders, the page -------------------------------------------------------------------------------------------

RULES = SYSTEMD / "60-chargerd.rules"
TOKEN = re.compile(r'\s*([A-Z]+(?:\{[A-Za-z0-9_/]+\})?)\s*(==|!=|\+=|:=|=)\s*"([^"]*)"\s*(?:,|$)')


def rules() -> list[list[tuple[str, str, str]]]:
    """The lines of the rules file as (key, operator, value); a line that is not whole tokens is refused."""
    found = []
    for line in RULES.read_text(encoding="utf-8").splitlines():
        if line and not line.startswith("#"):
            assert TOKEN.sub("", line) == "", line
            found.append(TOKEN.findall(line))
    return found


def given_to(subsystem: str, kernel: str) -> dict[str, str]:
    """What our rules set for a device; they match by SUBSYSTEM and KERNEL alone here."""
    facts, values = {"SUBSYSTEM": subsystem, "KERNEL": kernel, "ACTION": "add"}, {}
    for rule in rules():
        matches = [(key, value) for key, sign, value in rule if sign == "=="]
        if all(key in facts and any(fnmatchcase(facts[key], glob) for glob in value.split("|")) for key, value in matches):
            values |= {key: value for key, sign, value in rule if sign == "=" and key not in ("LABEL", "GOTO")}
    return values


@pytest.mark.parametrize("port", ["ttyUSB0", "ttyUSB12", "ttyACM0"])
def test_modem_software_is_kept_away_from_serial_adapters_and_the_group_may_use_them(port: str):
    assert given_to("tty", port) == {"ENV{ID_MM_DEVICE_IGNORE}": "1", "ENV{ID_MM_PORT_IGNORE}": "1", "GROUP": "dialout", "MODE": "0660"}


def test_pins_are_for_their_group_and_nothing_else_is_touched():
    assert given_to("gpio", "gpiochip0") == {"GROUP": "gpio", "MODE": "0660"}
    assert [given_to("tty", name) for name in ("ttyS0", "tty1", "ttyUSB")] == [{}, {}, {}]
    assert given_to("block", "sda") == {}


def test_every_jump_of_the_rules_has_its_label():
    jumps, labels = ([value for rule in rules() for key, _, value in rule if key == kind] for kind in ("GOTO", "LABEL"))

    assert set(jumps) == set(labels)


def test_udev_understands_every_rule():
    udevadm = shutil.which("udevadm")
    if udevadm is None or subprocess.run([udevadm, "verify", "--help"], capture_output=True, check=False).returncode:
        pytest.skip("no `udevadm verify` here (systemd 254 or later); the tests above read the rules by themselves")
    code, text = said([udevadm, "verify", str(RULES)], ROOT)

    assert code == 0, text


@pytest.mark.peer
def test_the_user_is_made_with_the_groups_of_ports_and_pins_and_cannot_log_in(tmp_path: Path):
    sysusers = shutil.which("systemd-sysusers")
    if sysusers is None:
        pytest.skip("systemd-sysusers is not installed (Debian: apt-get install systemd)")
    (tmp_path / "etc").mkdir()

    code, text = said([sysusers, f"--root={tmp_path}", str(SYSTEMD / "chargerd.sysusers")], ROOT)

    assert code == 0, text
    (user,) = (tmp_path / "etc" / "passwd").read_text(encoding="ascii").splitlines()
    members = {line.split(":")[0]: line.split(":")[3] for line in (tmp_path / "etc" / "group").read_text(encoding="ascii").splitlines()}
    assert (user.split(":")[0], user.split(":")[5:]) == ("chargerd", ["/var/lib/chargerd", "/usr/sbin/nologin"])
    assert members == {"chargerd": "", "dialout": "chargerd", "gpio": "chargerd"}


def test_nobody_but_the_user_and_its_group_reads_or_writes_the_folders():
    lines = [line.split() for line in (SYSTEMD / "chargerd.tmpfiles").read_text(encoding="ascii").splitlines() if not line.startswith("#")]

    assert {line[1]: line[2:] for line in lines} == {
        "/etc/chargerd": ["0750", "root", "chargerd"],
        "/etc/chargerd/cells": ["0750", "root", "chargerd"],
        "/var/lib/chargerd": ["0750", "chargerd", "chargerd"],
    }


def test_the_documented_install_puts_every_file_where_it_is_looked_for(tmp_path: Path):
    page = (ROOT / "SERVICE.md").read_text(encoding="utf-8")
    for line in re.findall(r"^install [^#\n]*(?=#|$)", page, re.MULTILINE):
        words = [f"{tmp_path}{word}" if word.startswith("/") else word for word in shlex.split(line) if word not in ("-g", "chargerd")]
        if "slip-1.env" in line:
            (tmp_path / "etc" / "chargerd").mkdir(parents=True)
        subprocess.run(words, cwd=ROOT, check=True)

    placed = {path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*") if path.is_file()}
    units = {f"etc/systemd/system/{name}" for name in (*ALL, CONFINED)}
    assert placed == units | {
        "etc/sysusers.d/chargerd.conf", "etc/tmpfiles.d/chargerd.conf", "etc/udev/rules.d/60-chargerd.rules",
        "usr/local/share/doc/chargerd/SERVICE.md", "etc/chargerd/slip-1.env",
    }  # fmt: skip
    documentation = {one(read_unit(name), "Unit", "Documentation") for name in ALL}
    assert documentation == {"file:/usr/local/share/doc/chargerd/SERVICE.md"}


def test_the_page_names_every_file_and_no_other():
    page = (ROOT / "SERVICE.md").read_text(encoding="utf-8")
    listed = {name for row in re.findall(r"^\| (`[^|]*`) \|", page, re.MULTILINE) for name in re.findall(r"`([^`]+)`", row)}

    assert listed == {path.relative_to(SYSTEMD).as_posix() for path in SYSTEMD.rglob("*") if path.is_file()}


def test_the_times_on_the_page_are_those_the_program_computes_with():
    page = (ROOT / "SERVICE.md").read_text(encoding="utf-8")
    bench = load_bench(ROOT / "examples" / "boathouse" / "bench.yaml")
    plan_s = -(-off_plan_s(bench, bench.channels["slip-1"]) // 1)
    rows = {cells[0]: cells[2] for line in page.splitlines() if line.startswith("| ") for cells in [[c.strip() for c in line.strip("|").split("|")]] if len(cells) == 4}

    assert rows["worker and keeper are killed"] == f"{plan_s:g} s"
    assert rows["the keeper hangs, or keeper and worker do"] == f"{SERVICE_MANAGER_S + plan_s:g} s"


