"""Which thermometer that repeats its value is frozen, and which is only coarse, or in a still room, or on a cell with a lag."""

from __future__ import annotations

import math

from chargerd.instruments.sensors.frozen import FOLLOWS_S, FROZEN_S, FROZEN_SAMPLES, Watch

STEPS_K = {"cell": 0.1, "room": 0.1}


def first(watch: Watch, cell: list[float], room: list[float], every_s: float = 10.0) -> tuple[float, set[str]] | None:
    """When who is first called frozen."""
    for index, (cell_degC, room_degC) in enumerate(zip(cell, room, strict=True)):
        frozen = watch.frozen(index * every_s, {"cell": cell_degC, "room": room_degC})
        if frozen:
            return index * every_s, frozen
    return None


def test_a_cell_that_repeats_while_its_room_warms_is_frozen_and_not_before_its_time() -> None:
    found = first(Watch(STEPS_K, "cell"), [25.3] * 400, [22.0 + 0.005 * sample for sample in range(400)])

    assert found is not None
    assert found[1] == {"cell"}
    assert max(FROZEN_S, 10.0 * FROZEN_SAMPLES) <= found[0] < 2400.0


def test_a_room_that_repeats_while_the_cell_warms_is_no_fault() -> None:
    assert first(Watch(STEPS_K, "cell"), [22.0 + 0.05 * sample for sample in range(400)], [22.0] * 400) is None


def test_a_room_that_repeats_while_another_of_the_room_moves_is_frozen() -> None:
    watch = Watch({"cell": 0.1, "room": 0.1, "terminals": 0.1}, "cell")
    found = [watch.frozen(10.0 * n, {"cell": 20.0 + n % 2, "room": 22.0, "terminals": 22.0 + 0.02 * n}) for n in range(200)]

    assert set().union(*found) == {"room"}


def test_a_heavy_cell_that_follows_its_room_by_an_hour_is_not_frozen() -> None:
    # The room jumps by 0.4 K, four steps: a cell with that time constant, read to 0.1 K, moves before it is condemned.
    cell = [round(22.0 + 0.4 * (1.0 - math.exp(-10.0 * sample / FOLLOWS_S)), 1) for sample in range(2000)]
    assert first(Watch(STEPS_K, "cell"), cell, [22.0] + [22.4] * 1999) is None


def test_a_coarse_sensor_is_not_frozen_by_a_room_that_drifts_less_than_its_steps() -> None:
    drift = [22.0 + 2.5 * sample / 3000 for sample in range(3000)]
    assert first(Watch({"cell": 1.0, "room": 0.1}, "cell"), [22.0] * 3000, drift) is None


def test_two_still_sensors_are_not_frozen() -> None:
    assert first(Watch(STEPS_K, "cell"), [22.0] * 3000, [21.0] * 3000) is None


def test_a_hand_on_the_rooms_sensor_does_not_condemn_the_cells() -> None:
    room = [22.0] * 100 + [33.0] * 4 + [22.0] * 300
    assert first(Watch(STEPS_K, "cell"), [22.0] * 404, room) is None


def test_a_room_asked_once_a_minute_is_evidence_all_the_same() -> None:
    watch = Watch(STEPS_K, "cell")
    found = set()
    for sample in range(300):
        room = {"room": 22.0 + 0.01 * sample} if sample % 6 == 3 else {}
        found |= watch.frozen(10.0 * sample, {"cell": 25.3} | room)
    assert found == {"cell"}


def test_a_sensor_that_moves_again_is_believed_again() -> None:
    watch = Watch(STEPS_K, "cell")
    assert first(watch, [25.3] * 400, [22.0 + 0.02 * sample for sample in range(400)]) is not None
    assert watch.frozen(4000.0, {"cell": 25.4, "room": 30.0}) == set()


def test_a_long_silence_of_the_room_is_not_counted_as_evidence_in_full() -> None:
    watch = Watch(STEPS_K, "cell")
    for sample in range(100):
        watch.frozen(10.0 * sample, {"cell": 25.3, "room": 22.0} if sample == 0 else {"cell": 25.3})
    assert watch.frozen(1000.0, {"cell": 25.3, "room": 23.0}) == set()


def test_hands_again_and_again_do_not_add_up() -> None:
    room = ([33.0] * 10 + [22.0] * 10) * 30
    assert first(Watch(STEPS_K, "cell"), [22.0] * 601, [22.0, *room], every_s=1.0) is None


def test_nothing_is_frozen_within_seconds_however_far_the_other_went() -> None:
    found = first(Watch(STEPS_K, "cell"), [22.0] * 301, [22.0] + [52.0] * 300, every_s=1.0)
    assert found is not None
    assert found[0] >= FROZEN_S
