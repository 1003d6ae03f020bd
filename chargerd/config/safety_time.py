"""How long a fault may last before something is hot or the air is unsafe, and how fast this bench switches off.

The rule of the process industry: detecting, deciding and switching together take at most half of the process safety time
(IEC 61511). The time is computed for each run from its largest current, so that slow sampling is allowed where it is harmless.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from chargerd.config.bank import bank_of
from chargerd.config.bench import BenchFile, ChannelSpec, Ventilation, Wiring

COPPER_J_per_gK = 0.385
"""Specific heat of copper alloys."""
CLIP_RISE_K = 40.0
"""A clip this much above the room can be touched and melts nothing."""
CELL_J_per_gK = 1.86
"""Specific heat of a wet cell: half water, half carbon, foil and case."""
CELL_RISE_K = 15.0
HYDROGEN_m3_per_Ah = 0.456e-3
"""Faraday's law, 25 °C and 1 atm: 3600 C / (2 F) × 24.47 L/mol."""
HYDROGEN_MOST = 0.01
"""A quarter of the lower flammable limit of 4 %."""
AIR_m3_per_h_per_A = 0.05
"""Air for each ampere that makes gas, after IEC 62485-2: 0.42 L/Ah, diluted 24 times, five times for safety."""
OPENINGS_cm2_per_m3_per_h = 28.0
"""Natural ventilation through openings after IEC 62485-2: A = 28 · Q."""

QUESTION_RETRIES = 1
OFF_TRIES = 2
OFF_QUESTIONS = 2
"""Switching one output off: the command and its verification, each within one time-out, tried twice.

The role tries a third time after a link had to be reopened; an instrument that needs it was silent, and is judged as missing.
"""
PATIENCE_S = 5.0
"""How long the keeper bears a silent worker; from then on it feeds no dead-man relay."""
KILL_S = 1.0
"""How long the keeper lets a worker print its last words before it kills it."""
SERVICE_MANAGER_S = 14.0
"""A hung keeper: the service manager's watchdog 10 s, abort 3 s; then its stop command asks a live worker for 1 s."""
PLAN_TRIES = 2
PLAN_TIMEOUT_MAX_S = 2.0
PLAN_PAUSE_S = 0.1
PLAN_SPARE_S = 2.0
"""How the program that executes off plans bounds itself (`daemon/off.py`); its start and last words are in the spare time."""


@dataclass(frozen=True, slots=True)
class SafetyTime:
    """Process safety time in s (infinite when nothing gets hot), and what is first: "a bad clip", "the cell", "the air"."""

    seconds: float
    first: str

    @property
    def half_s(self) -> float:
        """Half of it: what detection and switching off may take together."""
        return self.seconds / 2


def safety_time(current_A: float, voltage_V: float, mass_g: float, wiring: Wiring, air: Ventilation) -> SafetyTime:
    """Return the shortest of clip, cell and gas at that current; the cell takes all of current × voltage as heat."""
    clip_K_per_s = current_A**2 * wiring.clip_ohm / (wiring.clip_mass_g * COPPER_J_per_gK)
    times = (
        (CLIP_RISE_K / clip_K_per_s if clip_K_per_s > 0 else math.inf, "a bad clip is hot"),
        (cell_heat_s(current_A, voltage_V, mass_g), "the cell is hot"),
        (gas_time_s(current_A, air), "the air holds 1 % hydrogen"),
    )
    return SafetyTime(*min(times))


def cell_heat_s(current_A: float, voltage_V: float, mass_g: float) -> float:
    """Return the time until the cell is `CELL_RISE_K` warmer when the whole electrical power becomes heat and none leaves."""
    cell_K_per_s = current_A * voltage_V / (mass_g * CELL_J_per_gK)
    return CELL_RISE_K / cell_K_per_s if cell_K_per_s > 0 else math.inf


def gas_time_s(current_A: float, air: Ventilation) -> float:
    """Return the time until the room holds 1 % hydrogen when all current makes gas; well mixed, fresh air by its openings."""
    made_m3_per_s = HYDROGEN_m3_per_Ah * current_A / 3600
    if air.outdoors or made_m3_per_s <= 0:
        return math.inf
    fresh_m3_per_s = air.openings_cm2 / OPENINGS_cm2_per_m3_per_h / 3600
    if fresh_m3_per_s <= 0:
        return HYDROGEN_MOST * air.room_m3 / made_m3_per_s
    share = HYDROGEN_MOST * fresh_m3_per_s / made_m3_per_s
    return math.inf if share >= 1 else -air.room_m3 / fresh_m3_per_s * math.log1p(-share)


@dataclass(frozen=True, slots=True)
class Reaction:
    """How long this channel's bench takes: to switch off (`off_s`), and for one question with its retry (`question_s`)."""

    off_s: float
    question_s: float

    def worst_s(self, sample_every_s: float, missed_max: int) -> float:
        """Return the slower of a bad value (one reading confirms) and missing readings (`missed_max` of them)."""
        scan_s = sample_every_s + self.question_s
        return max(sample_every_s + scan_s, missed_max * scan_s) + self.off_s

    def slowest_sampling_s(self, half_s: float, missed_max: int) -> float:
        """Return the longest sampling period whose reaction fits; negative when none does."""
        left_s = half_s - self.off_s
        return min((left_s - self.question_s) / 2, left_s / missed_max - self.question_s)


def reaction(bench: BenchFile, channel: ChannelSpec) -> Reaction:
    """Return how fast that channel's instruments react at worst, from their time-outs. A bank's relays open one by one."""
    outputs = [channel.source, *load_parts(bench, channel)]
    watching = (channel.meter, channel.ammeter, *channel.taps, channel.thermometer, channel.ambient)
    names = [*outputs, *(name for name in watching if name)]
    slowest_s = max(bench.instruments[name].timeout_s for name in names)
    off_s = sum(OFF_TRIES * OFF_QUESTIONS * bench.instruments[name].timeout_s for name in outputs)
    return Reaction(off_s, (QUESTION_RETRIES + 1) * slowest_s)


def load_parts(bench: BenchFile, channel: ChannelSpec) -> tuple[str, ...]:
    """Return the instruments that draw current: the load, or the relays of its resistors; none without a load."""
    bank = tuple(resistor.switch for resistor in bank_of(bench, channel.load))
    return bank or ((channel.load,) if channel.load else ())


def off_plan_s(bench: BenchFile, channel: ChannelSpec) -> float:
    """Return how long executing this channel's off plan may take, every instrument silent.

    Ports go side by side, each begun when the one before has had one time-out; outputs of one port take turns.
    """
    contacts = bank_of(bench, channel.load)
    load, bank = ("", [one.switch for one in contacts]) if contacts else (channel.load, [])
    ports: dict[str, list[float]] = {}
    for name in filter(None, (channel.source, load, channel.switch, *bank)):
        spec = bench.instruments[name]
        port = spec.address.removeprefix("trace+").partition("?")[0]
        ports.setdefault(port, []).append(min(spec.timeout_s, PLAN_TIMEOUT_MAX_S))
    begun_s = longest_s = 0.0
    for timeouts_s in ports.values():
        longest_s = max(longest_s, begun_s + sum(PLAN_TRIES * timeout_s + PLAN_PAUSE_S for timeout_s in timeouts_s))
        begun_s += timeouts_s[0] + PLAN_PAUSE_S
    return longest_s + PLAN_SPARE_S


def keeper_s(bench: BenchFile, channel: ChannelSpec) -> float:
    """Return how long a hung worker may leave outputs on: the keeper's patience, its kill and the off plan."""
    return PATIENCE_S + KILL_S + off_plan_s(bench, channel)


def covered_by_dead_man(bench: BenchFile, channel: ChannelSpec) -> bool:
    """Whether the dead-man relay ends every current of that channel: it cuts source and load, or the cell's own lead."""
    if bench.dead_man is None:
        return False
    cuts = set(bench.dead_man.cuts)
    return (bool(channel.switch) and channel.switch in cuts) or {channel.source, *load_parts(bench, channel)} <= cuts


def hang_s(bench: BenchFile, channel: ChannelSpec, *, dead_man_proven: bool = False) -> tuple[float, str]:
    """Return how long a hang of worker or keeper may leave outputs on, and who then ends it.

    A dead-man relay counts only when it is proven (commissioning) and covers the channel: then it answers a hung keeper, and a
    hung worker if it is faster than kill and off plan.
    """
    keeps_s = keeper_s(bench, channel)
    if dead_man_proven and bench.dead_man is not None and covered_by_dead_man(bench, channel):
        return min(PATIENCE_S + bench.dead_man.drop_out_s, keeps_s), "the keeper with the dead-man relay"
    return SERVICE_MANAGER_S + off_plan_s(bench, channel), "the service manager"
