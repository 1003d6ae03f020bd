"""Broken files, one slip each: the fault is reported at its exact place and says what to write instead. No traceback, ever.

`@@` marks where the fault must be reported.
"""

from __future__ import annotations

import re
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from chargerd.config import marked
from chargerd.errors import BenchError, FileFaultsError, ProfileError
from tests.config.files import TEXTS, Edit, faults_of, load, write_files

P, C, B = "profile", "cell", "bench"
_JUNK = st.one_of(
    st.text(max_size=6),
    st.sampled_from(
        [
            "\n",
            " ",
            "- ",
            ": ",
            "{",
            "}",
            "[",
            "]",
            "&a",
            "*a",
            "!!x ",
            "#",
            "'",
            '"',
            "|\n",
            ">",
            "? ",
            "\t",
            "---\n",
            "1e9999 V",
        ]
    ),
)

PULSES = "- rest: {lasts: 10 min}"
"""Replaced by a step of another kind."""

CASES = [
    # --- how the file is written ---------------------------------------------------------------------------------------
    (P, "rounds: 10", "rounds: 10\n      @@rounds: 12", "'rounds' is written twice, first in line 5", "delete one"),
    (C, "mass: 112 g", "mass: 112 g\n@@mass: 11.2 g", "'mass' is written twice, first in line 7", "delete one"),
    (B, "    load: load", "    load: load\n    @@load: supply", "written twice", "delete one"),
    (P, "about: A round or two.", "@@abuot: A round.", "unknown key 'abuot'", "did you mean 'about'"),
    (P, "sample_every: 5 s", "@@sample_evry: 5 s", "charge: unknown key 'sample_evry'", "did you mean 'sample_every'"),
    (P, "current_below: C/50", "@@curent_below: C/50", "unknown key 'curent_below'", "did you mean 'current_below'"),
    (C, "  voltage_max: 2.75 V", "  voltage_max: 2.75 V\n  @@xyzzy: 3 V", "unknown key 'xyzzy'", "known here: voltage_max"),
    (P, "rounds: 10", "rounds: @@&ten 10", "an anchor (&ten)", "write the value out"),
    (P, "rounds: 10", "rounds: @@*ten", "an alias (*ten)", "write the value out"),
    (P, "rounds: 10", "rounds: @@!!int 10", "a tag", "delete it"),
    (P, "- rest: {lasts: 10 min}", "- rest:\n            @@<<: {lasts: 10 min}\n            lasts: 10 min", "a merge key", "write"),
    (P, "rounds: 10", "@@\trounds: 10", "a tab", "use spaces"),
    (C, "mass: 112 g", "mass:@@\t112 g", "a tab", "use spaces"),
    (C, "mass: 112 g", "mass: 112@@\x00 g", "a NUL byte", "delete it"),
    (C, "mass: 112 g", "mass: 112@@\u200b g", "invisible character (U+200B)", "delete it"),
    (C, "mass: 112 g", "mass: 112@@\x1b g", "invisible character (U+001B)", "delete it"),
    (C, "mass: 112 g", "mass: 112 g@@\rmade: 2025-10-04", "invisible character (U+000D)", "delete it"),
    (C, "cell: plover-01", "@@%YAML 1.2\n---\ncell: plover-01", "a YAML directive", "delete the line"),
    (C, "", "@@---\ncell: dunlin-01\n", "a second document", "write one file for each"),
    (C, "vented: yes", "vented: yes\n? @@{a: 1}\n: 2", "a key must be a plain word", "key: value"),
    (C, "vented: yes", "vented: yes\n@@'': 3", "a key is empty", "known here"),
    (P, "rounds: 10", "rounds: 10\n     @@bad: 3", "indentation does not fit", "line the key up"),
    (C, "mass: 112 g", "mass: 112 g@@: 5", "a second `: ` stands in this line", "in quotes"),
    (P, "[1.75 V, 1.80 V, 1.85 V, 1.95 V]", "[1.75 V, 1.80 V\n        ceiling@@: 1.85 V", "`[` is not closed", "write [ value"),
    (C, "mass: 112 g", "mass: @@%112 g", "may not begin with this character", "in quotes"),
    # --- values with units ---------------------------------------------------------------------------------------------
    (C, "mass: 112 g", "mass: @@112", "mass: 112 has no unit", "write 112 g"),
    (C, "mass: 112 g", "mass: @@112,5 g", "decimal comma", "112.5 g"),
    (P, "{every: 5 min, lasts: 1 s}", "{every: 5 min, lasts: 1,@@5 s}", "'5 s' stands alone", "with a point"),
    (C, "voltage_max: 2.75 V", "voltage_max: @@2.75 V# top", "comment sticks", "2.75 V  # comment"),
    (C, "voltage_max: 2.75 V", "voltage_max: @@2.75 V#", "comment sticks", "2.75 V  # comment"),
    (C, "cell: plover-01", "cell: @@plover-01# mine", "comment sticks", "plover-01  # comment"),
    (C, "voltage_max: 2.75 V", "voltage_max: @@2.75\u00a0V", "no-break space", "ordinary space"),
    (C, "voltage_max: 2.75 V", "voltage_max: @@“2.75 V”", "curly quotes", "2.75 V"),
    (C, "temperature_max: 45 °C", "temperature_max: @@45 C", "C is coulomb or a rate", "write 45 °C"),
    (P, "current: 300 mA", "current: @@300 ma", "upper and lower case matter", "300 mA"),
    (P, "current: 300 mA", "current: @@0.2 C", "coulomb", "0.2 It"),
    (P, "current: 300 mA", "current: @@300 mV", "is a voltage, not a current", "A, mA or uA"),
    (P, "current: 300 mA", "current: @@nan A", "not a finite number", "50 mA"),
    (P, "current: 300 mA", "current: @@-300 mA", "not above zero", "which way"),
    (P, "current: 300 mA", "current: @@5e9 mA", "absurdly", "check the number"),
    (P, "charge: 2 Ah", "charge: @@50 %", "does not say of what", "50 % rated"),
    (P, "time: 5 h", "time: @@12:30", "time", "30 min"),
    (P, "time: 5 h", "time:@@", "nothing is written", "time: 30 min"),
    (P, "time: 5 h", "time: @@5\n          h", "runs over 2 lines", "in one"),
    (P, "time: 5 h", "time: @@[5 h]", "a single value belongs here", "time: 30 min"),
    (P, "rounds: 10", "rounds: @@ten", "not a whole number", "for example 10"),
    (P, "rounds: 10", "rounds: @@010", "not a whole number", "for example 10"),
    (P, "rounds: 10", "rounds: @@1e3", "not a whole number", "for example 10"),
    (P, "rounds: 10", "rounds: @@0", "below 1, the least", "check"),
    (C, "vented: yes", "vented: @@true", "neither yes nor no", "write yes"),
    (C, "vented: yes", "vented: @@off", "neither yes nor no", "write no"),
    (C, "made: 2025-10-03", "made: @@03.10.2025", "not a date", "2025-10-03"),
    (C, "made: 2025-10-03", "made: @@2025-13-03", "not a date", "2025-10-03"),
    (C, "cell: plover-01", "cell: @@plover 1", "cannot be a name", "letters, digits"),
    (C, "cell: plover-01", "cell: @@../plover", "cannot be a name", "letters, digits"),
    (C, "cell: plover-01", "cell: @@a..b", "cannot be a name", "letters, digits"),
    (C, "cell: plover-01", f"cell: @@{'x' * 65}", "cannot be a name", "at most 64"),
    (P, "about: A round or two.", "about: @@round #3 of it", "cut off at the #", "in quotes"),
    # --- the cell ------------------------------------------------------------------------------------------------------
    (C, "vented: yes", "vented: @@no", "would burst", "open the vent"),
    (C, "made: 2025-10-03\n", "", "made is missing", "write `made: 2025-10-03`"),
    (C, "  capacity: 1.5 Ah\n", "", "rated.capacity is missing", "write `capacity: 1.5 Ah`"),
    (C, "  activated_carbon: 26.4 g", "  activated_carbn: @@26.4 g", "not a name that is understood", "activated_carbon"),
    (C, "  activated_carbon: 26.4 g", "  charcoal: @@26.4 g", "not a name that is understood", "activated_carbon"),
    (C, "zinc_sulfate_heptahydrate: 22.0 g", "zinc_sulfate: @@22.0 g", "crystal water", "zinc_sulfate_heptahydrate"),
    (C, "capacity: 1.5 Ah", "capacity: @@90 % rated", "relative to itself", "write it in Ah"),
    (C, "window: [2.10 V, 0.80 V]", "window: @@[0.80 V, 2.10 V]", "the higher first", "[2.10 V, 0.80 V]"),
    (C, "window: [2.10 V, 0.80 V]", "window: @@[2.10 V]", "two voltages", "[2.10 V, 0.80 V]"),
    (C, "window: [2.10 V, 0.80 V]", "window: [2.10 V, @@0.80]", "no unit", "0.80 V"),
    (C, "window: [2.10 V, 0.80 V]", "window: @@2.10 V", "a list belongs here", "write ["),
    (C, "voltage_max: 2.75 V", "voltage_max: @@27.5 V", "above 3 V, the most allowed here", "check the number"),
    (C, "voltage_max: 2.75 V", "voltage_max: 2.75 V\n  voltage_min: @@1.3 V", "above 1.2 V, the most", "check"),
    (C, "charge_current: 2.5 A\n  d", "charge_current: @@25 A\n  d", "in under 12 min", "at most 7.5 A"),
    (C, "temperature_max: 45 °C", "temperature_max: @@450 °C", "absurdly", "check the number"),
    (C, "temperature_max: 45 °C", "temperature_max: @@75 °C", "above 60 °C", "check the number"),
    (C, "threshold: unmeasured", "threshold: @@unmeasurd", "not known here", "did you mean unmeasured"),
    (C, "threshold: unmeasured", "threshold: @@21.05 V", "above 2.6 V", "check the number"),
    (C, "  - Two layers of paper.", "  @@two: layers", "a list belongs here", "write ["),
    (C, "carbon: 1.20 EUR", "carbon: @@1.20", "no currency", "1.20 EUR"),
    (C, "ingredients:\n", "ingredients:\n  @@a/b: 3 g\n", "cannot be a name", "letters, digits"),
    # --- the bench -----------------------------------------------------------------------------------------------------
    (B, "source: supply", "source: @@suply", "there is no instrument 'suply'", "supply, load, probe"),
    (B, "temperature: probe", "temperature: @@load", "how well it sees temperature", "temperature: 0.5 K"),
    (B, "    voltage: supply\n", "    voltage: @@load\n", "its own leads", "write supply or a meter"),
    (B, "    load: load", "    load: @@supply", "the source already", "delete the line"),
    (B, "temperature: probe", "temperature: probe\n    ambient: @@probe", "measures the cell", "name another"),
    (B, "accuracy: {temperature: 0.5 K}", "accuracy: {temperature: @@0.5 °C}", "would be a temperature", "0.5 K"),
    (B, "accuracy: {temperature: 0.5 K}", "accuracy: {temperature: @@0.5 K + 0.1 K}", "no accuracy", "gain + offset"),
    (B, "accuracy: {temperature: 0.5 K}", "accuracy: {temperature: @@-0.5 K}", "negative", "without ±"),
    (B, "resolution: {temperature: 0.1 K}", "resolution: {temperature: @@0 K}", "no instrument's step", "1 mA"),
    (B, "address: tcp://127.0.0.1:5027", "address: @@127.0.0.1", "no address", "tcp://"),
    (B, "limits:\n  voltage: 3.0 V", "limits:\n  voltage: @@300 V", "above 60 V", "check the number"),
    (B, "charge_current: 2.5 A\n  d", "charge_current: @@2 It\n  d", "belongs to a cell", "50 mA"),
    (B, "fuse: 1 A}", "fuse: @@1}", "no unit", "write 1 A"),
    (B, "wiring: {lead: 0.05 ohm, fuse: 1 A}", "wiring: @@{lead: 0.05 ohm}", "wiring.fuse is missing", "fuse: 50 mA"),
    (B, "ventilation: {outdoors: yes}", "ventilation: @@{outdoors: no}", "neither outdoors nor a room", "room: 30 m3"),
    (B, "prefix: boathouse}", "prefix: @@boat/house}", "cannot be a name", "letters, digits"),
    (B, "{host: 127.0.0.1, p", "{host: 127.0.0.1, port: @@70000, p", "above 65535", "check"),
    (B, "ratings: {voltage: 60 V, current: 5 A}\n    ", "", "has no ratings", "ratings: {voltage"),
    (B, "minimum_voltage: 0.1 V", "minimum_voltage: 0.1 V\n    timeout: @@60 s", "above 5 s", "check"),
    (B, "channels:\n  slip-1:", "channels:\n  @@slip 1:", "cannot be a name", "letters, digits"),
    (B, "instruments:\n  supply:", "instruments: @@none\nother:\n  supply:", "names with keys under them", "a-name:"),
    (B, "channels:\n  slip-1:\n    source: supply\n    load: load\n    voltage: supply\n    temperature: probe\n", "channels: @@{}\n",
     "channels: none is there", "at least one"),
    (C, "costs:\n  carbon: 1.20 EUR", "costs: @@1.20 EUR", "names with values belong here", "12.50 EUR"),
    (C, "ingredients:\n  activated_carbon: 26.4 g\n  zinc_sulfate_heptahydrate: 22.0 g", "ingredients: @@26.4 g", "names with values",
     "26.4 g"),
    # --- the profile ---------------------------------------------------------------------------------------------------
    (P, "        charge: 2 Ah\n", "", "ends_when.charge is missing", "charge: 1.5 Ah"),
    (P, "        time: 5 h\n", "", "ends_when.time is missing", "time: 30 min"),
    (P, "voltage_below: 0.80 V", "@@current_below: 10 mA", "does not belong here", "ends a charge or a constant voltage only"),
    (P, "voltage: top_charging_voltage", "voltage: @@climb", "no climb around this step", "into a repeat"),
    (P, "voltage: top_charging_voltage", "voltage: @@top", "not known here", "top_charging_voltage"),
    (P, "  - charge:\n      current: 300 mA", "  - charge:\n      @@pwr: 3 W\n      current: 300 mA", "unknown key 'pwr'", "did you mean 'power'"),
    (P, "  - charge:\n      current: 300 mA", "  - charge:\n      power: @@0 W\n      current: 300 mA", "not above zero", "how much"),
    (P, "  - charge:\n      current: 300 mA", "  - charge:\n      power: @@3 V\n      current: 300 mA", "is a voltage, not a power", "W or mW"),
    (P, "  - charge:\n      current: 300 mA", "  - charge:\n      power: 3 W\n      ramp: @@1 V/h\n      current: 300 mA",
     "charge.ramp: power stands in this step too", "delete one"),
    (P, "  - charge:\n      current: 300 mA", "  - charge:\n      ramp: @@100 V/h\n      current: 300 mA", "above 10 V/h", "check"),
    (P, "  - charge:\n      current: 300 mA", "  - charge:\n      ramp: @@20 mV\n      current: 300 mA", "is a voltage, not a", "mV/h"),
    (P, "current: C/5", "current: C/5\n            power: 200 mW\n            resistance: @@10 ohm",
     "discharge.resistance: power stands in this step too", "delete one"),
    (P, "current: C/5", "current: C/5\n            resistance: @@0.01 ohm", "below 0.1 ohm", "check"),
    (P, "current: C/5\n            ends_when:\n              voltage_below: 0.80 V",
     "current: C/5\n            power: 200 mW\n            ends_when:\n              @@energy: 3 Wh", "no voltage ends it", "voltage_below: 0.80 V"),
    (P, "current_below: C/50", "@@voltage_slope_above: 1 V/h", "does not belong here", "ends a discharge only"),
    (P, "current_below: C/50", "voltage_falls_by: @@1 mV", "below 2 mV", "check"),
    (P, "current_below: C/50", "temperature_rise_above: @@3 °C", "would be a temperature", "3 K"),
    (P, "current_below: C/50", "temperature_slope_above: @@0.5 K", "is a temperature difference, not a heating rate", "K/min"),
    (P, "- rest: {lasts: 10 min}", "- rest: {lasts: 10 min, ends_when: {@@voltage_below: 1 V}}", "does not belong here", "discharge or a pulses"),
    (P, PULSES, "- pulses: {train: [discharge: {current: 0.2 It, @@long: 10 s}]}", "unknown key 'long'", "known here"),
    (P, PULSES, "- pulses: {train: [discharge: {current: 0.2 It, lasts: @@2 h}], ends_when: {voltage_below: 0.8 V}}", "above 1 h", "check"),
    (P, PULSES, "- pulses: @@{train: [discharge: {current: 0.2 It, lasts: 10 s}]}", "needs a lowest voltage", "voltage_below"),
    (P, PULSES, "- pulses: {train: [charge: {current: @@-0.2 It, lasts: 10 s}]}", "not above zero", "how much flows"),
    (P, PULSES, "- pulses: {train: @@[rest: {lasts: 10 s}]}", "nothing but rests", "one longer rest"),
    (P, PULSES, "- pulses: {train: @@[]}", "a list belongs here", "- "),
    (P, PULSES, "- pulses: {@@rounds: 3, train: [charge: {current: 0.2 It, lasts: 10 s}]}", "does not belong here", "into a repeat"),
    (P, PULSES, "- connection_check: {lasts: @@2 min}", "above 60 s", "check"),
    (P, PULSES, "- connection_check: {voltage: @@climb}", "not known here", "top_charging_voltage"),
    (P, PULSES, "- zero_current: {lasts: @@1 s}", "below 10 s", "check"),
    (P, PULSES, "- ask_person: @@{within: 2 h}", "ask_person.question is missing", "question: some words"),
    (P, PULSES, "- ask_person: {question: Filled up, within: @@1 s}", "below 1 min", "check"),
    (C, "threshold: unmeasured", "threshold: unmeasured\nresistance: @@[1 ohm, 0.2 ohm]", "the smaller first", "[0.2 ohm, 1.0 ohm]"),
    (C, "threshold: unmeasured", "threshold: unmeasured\nresistance: @@[1 ohm]", "two values belong here", "[0.2 ohm, 1.0 ohm]"),
    (C, "threshold: unmeasured", "threshold: unmeasured\nresistance: [@@0.2, 1 ohm]", "no unit", "0.2 ohm"),
    (P, "- rest: {lasts: 10 min}", "- @@rset: {lasts: 10 min}", "unknown key 'rset'", "did you mean 'rest'"),
    (P, "- rest: {lasts: 10 min}", "- @@repeat: {rounds: 2}", "repeat does not belong here", "one after the other"),
    (P, "- rest: {lasts: 10 min}", "- rest: {lasts: 10 min}\n          @@discharge: {current: C/5}", "in the same step as rest", "- "),
    (P, "- rest: {lasts: 10 min}", "- rest: @@10 min", "'10 min' stands here", "lasts"),
    (P, "- rest: {lasts: 10 min}", "- rest: {lasts: 10 min, sample_every: @@2 min}", "above 60 s", "check"),
    (P, "1.80 V, 1.85 V, 1.95 V]", "1.80 V, @@1.70 V]", "not above the rung before it", "lowest first"),
    (P, "[1.75 V, 1.80 V, 1.85 V, 1.95 V]", "@@[]", "no rung", "[1.75 V"),
    (P, "voltage: climb", "voltage: 1.80 V", "no charge inside this repeat climbs", "voltage: climb"),
    (P, "every: 5 min, lasts: 1 s", "every: @@30 s, lasts: 5 s", "shorter than ten times", "less often"),
    (P, "current_below: C/50", "current_below: @@C/10", "not below the step's current", "smaller current"),
    (P, "voltage: top_charging_voltage\n      ends_when:", "voltage: 1.8 V\n      ends_when:\n        voltage_above: @@1.9 V",
     "never reached", "less than 1.8 V"),
    (P, "      voltage: top_charging_voltage\n", "", "charge.voltage is missing", "write `voltage: top_charging_voltage`"),
    (P, "current_below: C/50", "gas_charge: @@50 % rated", "above 25 % rated", "check"),
    (P, "current_below: C/50", "gassing_time: @@20 h", "above 4 h", "check"),
    (P, "current_below: C/50", "plateau_lasts: @@10 s", "below 1 min", "check"),
    (P, "current_below: C/50", "current_below: @@0 mA", "not above zero", "can reach"),
    (P, "time: 5 h", "time: @@5000 h", "above 200 h", "check"),
    (P, "charge: 2 Ah", "charge: @@1200 % rated", "above 200 % rated", "check"),
    (P, "capacity_within: 2 %", "capacity_within: @@200 %", "above 20 %", "check"),
    (P, "about: A round or two.\n", "about: A round or two.\nlimits:\n  voltage_max: @@3.5 V\n", "above 3 V", "check"),
    (P, "steps:\n  - repeat:", "steps: @@none\nother:\n  - repeat:", "a list belongs here", "- "),
    (P, "  - charge:\n      current: 300 mA\n      voltage: top_charging_voltage\n      ends_when:\n        charge: 2 Ah\n        time: 5 h\n",
     "  - @@{}\n", "an empty step", "write one of rest"),
]  # fmt: skip


def _case_id(case: tuple[str, str, str, str, str]) -> str:
    return f"{case[0]}-{case[2].strip()[:40]!r}-{case[3][:30]}"


@pytest.fixture(params=["parser in C", "parser in Python"])
def parser(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both parsers PyYAML may have on a machine must report the same places."""
    if request.param == "parser in Python":
        monkeypatch.setattr(marked, "LOADER", yaml.SafeLoader)


@pytest.mark.usefixtures("parser")
@pytest.mark.parametrize("case", CASES, ids=_case_id)
def test_a_slip_is_reported_at_its_place_with_its_remedy(case: tuple[str, str, str, str, str], tmp_path: Path) -> None:
    kind, old, new, what, remedy = case
    paths, marks = write_files(tmp_path, Edit(kind, old, new))

    with pytest.raises(BenchError if kind == B else ProfileError) as caught:
        load(kind, paths[kind])

    faults = faults_of(caught.value, tmp_path)
    said = [fault for fault in faults if what in fault and (not marks or fault.startswith(f"{marks[0]}: "))]
    assert said, (marks, faults)
    assert remedy in said[0].split("; ", 1)[1]
    assert caught.value.exit_code == 2


def test_more_than_a_hundred_slips_are_tried() -> None:
    assert len(CASES) >= 100


RAW = [
    (b"\xef\xbb\xbfcell: plover-01\n", "1:1", "byte-order mark"),
    ("cell: plover-01\n".encode("utf-16"), "1:1", "UTF-16"),
    (b"cell: plover-01\nabout: caf\xe9\n", "2:11", "not UTF-8"),
    (b"", "1:1", "empty"),
    (b"# only a comment\n", "1:1", "empty"),
    (b"- a\n- b\n", "1:1", "not made of `key: value` lines"),
    (b"plover\n", "1:1", "not made of `key: value` lines"),
    (b"a: " + b"x" * (256 * 1024), "1:1", "larger than 256 KiB"),
    (b"[" * 1000, "1:21", "deeper than 20"),
    (b"b: " + b"{a: " * 100, "1:80", "deeper than 20"),
    (b"a: &a [x]\nb: &b [*a, *a]\nc: [*b, *b]\n", "1:4", "anchor"),
    (b"a: 'not closed\n", "2:1", "not closed"),
    (b'a: "not closed\n', "2:1", "not closed"),
    (b'cell: "\\q"\n', "1:7", "a backslash stands in double quotes"),
    (b"a\nb: c\n", "2:2", "second `: `"),
    (b"cell: !foo!bar x\n", "1:7", "tag"),
    (b"cell: !<x y\n", "1:10", "cannot be read as YAML"),
]  # fmt: skip


@pytest.mark.usefixtures("parser")
@pytest.mark.parametrize(("raw", "place", "what"), RAW)
@pytest.mark.parametrize("kind", [P, C, B])
def test_a_file_that_is_no_such_yaml_is_refused(kind: str, raw: bytes, place: str, what: str, tmp_path: Path) -> None:
    path = tmp_path / "some.yaml"
    path.write_bytes(raw)

    with pytest.raises(FileFaultsError) as caught:
        load(kind, path)

    assert any(fault.startswith(f"some.yaml:{place}: ") and what in fault for fault in faults_of(caught.value, tmp_path)), (
        caught.value.faults
    )


def test_a_missing_file_and_a_folder_are_said_plainly(tmp_path: Path) -> None:
    for path in (tmp_path / "none.yaml", tmp_path):
        with pytest.raises(ProfileError) as caught:
            load(P, path)
        assert len(caught.value.faults) == 1
        assert "cannot be read" in caught.value.faults[0]


def test_all_faults_are_told_at_once_in_the_order_of_the_file(tmp_path: Path) -> None:
    paths, marks = write_files(
        tmp_path,
        Edit(P, "rounds: 10", "rounds: @@ten"),
        Edit(P, "current: C/10", "current: @@0.1"),
        Edit(P, "current_below: C/50", "@@curent_below: C/50"),
        Edit(P, "current: 300 mA", "current: @@300 ma"),
        Edit(P, "time: 5 h", "time: @@5"),
    )

    with pytest.raises(ProfileError) as caught:
        load(P, paths[P])

    assert [fault.split(": ")[0] for fault in faults_of(caught.value, tmp_path)] == marks


ROUNDS = """\
profile: rounds
steps:
  - repeat:
      rounds: 3
      climb:
        voltage: [1.75 V]
        step_back_when: {coulombic_efficiency_below: 95 %}
      ends_when: {capacity_within: 2 %}
      steps:
        - rest: {lasts: 1 h}
"""


def test_rounds_that_cannot_be_judged_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "rounds.yaml"
    path.write_text(ROUNDS)

    with pytest.raises(ProfileError) as caught:
        load(P, path)

    faults = faults_of(caught.value, tmp_path)
    assert [fault.split(": ", 1)[0] for fault in faults] == [f"rounds.yaml:{place}" for place in ("6:9", "7:25", "8:18", "10:9")]
    for fault, words in zip(
        faults, ("no charge inside", "needs a charge and", "no discharge measures", "nothing but rests"), strict=True
    ):
        assert words in fault
        assert "; " in fault


def test_two_numbers_of_a_cell_that_contradict_each_other_are_refused(tmp_path: Path) -> None:
    paths, marks = write_files(
        tmp_path,
        Edit(C, "voltage_max: 2.75 V", "voltage_max: 1.2 V\n  voltage_min: @@1.2 V"),
        Edit(C, "threshold: unmeasured", "threshold: @@2.1 V"),
    )

    with pytest.raises(ProfileError) as caught:
        load(C, paths[C])

    assert [fault.split(": ")[0] for fault in faults_of(caught.value, tmp_path)] == marks


@given(
    st.sampled_from(sorted(TEXTS)), st.lists(st.tuples(st.integers(0, 2000), st.integers(0, 8), _JUNK), min_size=1, max_size=4)
)
@settings(max_examples=300)
def test_no_mutilated_file_ever_ends_in_anything_but_places_and_remedies(kind: str, cuts: list[tuple[int, int, str]]) -> None:
    text = TEXTS[kind]
    for start, length, junk in cuts:
        text = text[:start] + junk + text[start + length :]
    with TemporaryDirectory() as folder:
        path = Path(folder) / "some.yaml"
        path.write_bytes(text.encode("utf-8", "surrogatepass"))
        faults: tuple[str, ...] = ()
        try:
            load(kind, path)
        except FileFaultsError as error:
            faults = error.faults

    assert all(re.match(r".*some\.yaml:[0-9]+:[0-9]+: .+", fault, re.DOTALL) for fault in faults)


def test_a_fault_of_form_does_not_hide_a_fault_of_meaning(tmp_path: Path) -> None:
    paths, _ = write_files(
        tmp_path,
        Edit(P, "rounds: 10", "rounds: ten"),
        Edit(P, "voltage: top_charging_voltage", "voltage: climb"),
        Edit(P, "        time: 5 h\n", ""),
    )

    with pytest.raises(ProfileError) as caught:
        load(P, paths[P])

    assert len(caught.value.faults) == 3


def test_columns_count_characters_and_not_bytes(tmp_path: Path) -> None:
    paths, marks = write_files(tmp_path, Edit(C, "carbon: 1.20 EUR", "{‘°°°’: @@1.20, b: 2 EUR}"))

    with pytest.raises(ProfileError) as caught:
        load(C, paths[C])

    assert any(fault.startswith(marks[0]) for fault in faults_of(caught.value, tmp_path))


def test_the_good_files_are_good_with_windows_line_ends_too(tmp_path: Path) -> None:
    for kind, text in TEXTS.items():
        path = tmp_path / f"{kind}.yaml"
        path.write_bytes(text.replace("\n", "\r\n").encode())

        assert load(kind, path).name
