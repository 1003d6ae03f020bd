"""The faults that chargerd must notice: what each is, what becomes of it, and the guard that is taken out to prove its tests.

Ids are stable; a new row goes to the end of its group. Severity: 4 fire or injury, 3 cell or instrument destroyed, 2 a run lost or
a false verdict, 1 a nuisance. `left` says why a row cannot be injected here, or is not built.
"""

from __future__ import annotations

from dataclasses import dataclass

from tests.faults.knock import ROOT, Knock

DETECTORS = "chargerd/core/detect/table.py"
LIMITS = "tests/worlds/test_limits_on_the_wire.py"
FIRST_OUT = f"{LIMITS}::test_the_cause_is_first_out_and_the_outputs_are_off_in_time"
LINKS = "tests/worlds/test_link_faults.py::test_the_run_ends_as_stated"
SWITCHING = "tests/worlds/test_switching.py"
BENCH = "tests/instruments/test_bench.py"
ALONE = "tests/faults/test_left_alone.py::test_a_dialect_with_a_wrong_number_in_it_is_refused_before_a_byte_leaves"
FOREIGN = "tests/faults/test_slow_and_foreign.py::test_what_another_program_says_is_never_a_reading"
STALLS = "tests/faults/test_stalls.py::test_what_was_on_is_off_at_the_first_pass_after_a_stall"
START = "tests/worlds/test_start.py"


@dataclass(frozen=True)
class Row:
    """One fault. `reaction`: pause, trip, refuse, note or another process's; what ends it and what latches is in the cause's row."""

    id: str
    fault: str
    severity: int
    reaction: str
    knocks: tuple[Knock, ...] = ()
    left: str = ""


def detector(cause: str, *tests: str) -> Knock:
    """Take a detector's line out of the table; by default its scenario on the whole bench goes red."""
    (line,) = (line for line in (ROOT / DETECTORS).read_text(encoding="utf-8").splitlines(keepends=True) if line.startswith(f'    "{cause}":'))
    return Knock(DETECTORS, line, "", tests or (f"{FIRST_OUT}[{cause}]",))


LOST = "tests/core/test_limits.py::test_readings_missing_once_more_than_tolerated_trip"
"""A lost reading trips by its own count and, should that fail, by the lease that lapses: each is taken out by itself."""
LAPSED = Knock(
    "chargerd/core/deadline.py", "    if m.state != State.RUNNING or not m.live or now_s <= valid_until_s(m, step, missed_max):\n", "    if True:\n",
    ("tests/core/test_engine.py::test_a_lapsed_lease_trips_at_the_next_tick_and_not_before",),
)
NO_INPUT = "nothing of this kind can be connected to a bench yet"

ROWS: tuple[Row, ...] = (
    # --- A: cell and process ---------------------------------------------------------------------------------------------
    Row("A1", "the cell's voltage is too high", 4, "trip", (detector("over-voltage"),)),
    Row("A2", "too much current, or the wrong way", 3, "trip",
        (detector("over-current"), detector("current-direction"), detector("current-above-set-point"),
         detector("currents-differ", "tests/worlds/test_ammeter.py::test_an_ammeter_that_differs_from_source_and_load_trips_at_the_third_reading"))),
    Row("A3", "the cell is too hot", 4, "trip", (detector("over-temperature"),)),
    Row("A4", "the cell heats too fast, or stands too far above its room", 4, "trip", (detector("heating-too-fast"), detector("temperature-rise"))),
    Row("A5", "too much gas, or too long", 4, "end, then trip", (detector("bound-gas"), detector("bound-gassing-time"))),
    Row("A6", "the ventilation stands still, or hydrogen is measured", 4, "trip of all in the room", left=NO_INPUT),
    Row("A7", "electrolyte leaks", 3, "trip", left=NO_INPUT),
    Row("A8", "the cell dries out", 3, "end, then trip",
        left="the resistance is measured and judged by the verdict; nothing judges its growth while a run goes on"),
    Row("A9", "the cell is connected the wrong way round", 3, "refuse, trip",
        (detector("reverse-polarity"),
         Knock("chargerd/daemon/probe_pulse.py", "    if not during_V - before_V > (sees_V if before_V < FLAT_V else -sees_V):\n", "    if False:\n",
               (f"{START}::test_the_probe_refuses[a cell the wrong way round on a supply that shows no negative voltage]",)))),
    Row("A10", "a clip or a contact gets hot", 4, "trip",
        (detector("hot-contact", f"{SWITCHING}::test_a10_a_contact_that_wears_out_while_much_flows_trips_before_it_is_hot"),)),
    Row("A11", "a lead comes off and looks like a full cell", 2, "pause",
        (Knock("chargerd/core/engine.py", "        if broke_off(m, step, seen):\n", "        if False and broke_off(m, step, seen):\n",
               (f"{LINKS}[leads-charge-forever]",)),)),
    Row("A12", "the cell swallows more than it can hold", 4, "trip", (detector("bound-charge"),)),
    Row("A13", "another cell or profile than the one named", 4, "refuse",
        (Knock("chargerd/daemon/checking.py", "        if not voltage_V <= most_V:\n", "        if False:\n",
               ("tests/faults/test_at_the_start.py::test_a_cell_above_its_own_hard_limit_is_refused",)),
         Knock("chargerd/cli/naming.py", "    if said.strip() != name:\n", "    if False:\n",
               ("tests/processes/test_start_at_a_terminal.py::test_another_cell_than_the_files_is_refused_before_anything_is_opened",)),
         Knock("chargerd/daemon/probe_pulse.py", "    if not lowest - doubt_ohm <= ohm <= highest + doubt_ohm:\n", "    if False:\n",
               (f"{START}::test_the_probe_refuses[a resistance above the cell file's window]",)),
         Knock("chargerd/daemon/probe_pulse.py", "    if not last_ohm / SAME_FACTOR - doubt_ohm <= ohm <= last_ohm * SAME_FACTOR + doubt_ohm:\n", "    if False:\n",
               (f"{START}::test_the_probe_refuses[more than twice its last resistance]",)))),
    Row("A14", "the cell is discharged too far", 3, "trip", (detector("under-voltage"), detector("over-discharge"))),
    Row("A15", "a step does not end by itself", 3, "trip", (detector("bound-time"), detector("bound-energy"))),
    Row("A16", "the cell is too cold", 2, "pause",
        (detector("too-cold", f"{LIMITS}::test_the_cause_pauses_with_the_outputs_off_in_time[too-cold]"),)),
    Row("A17", "one cell of a string is too high", 4, "trip",
        (Knock("chargerd/core/detect/voltages.py", "        if voltage_V is not None and not voltage_V <= most_V:\n", "        if False:\n",
               ("tests/worlds/test_string_taps.py::test_one_cell_above_its_share_trips_although_the_string_is_far_below_its_limit",)),)),
    Row("A18", "switching off takes the fan or the computer with it", 4, "refuse",
        (Knock("chargerd/instruments/untouchable.py", "        if not self.outputs:\n", "        if True:\n", (f"{ALONE}[off-OUTPut OFF,(@2)-keep_on: [fan]\\n]",)),
         Knock("chargerd/instruments/connection.py", "        self._untouchable.judge(self.name, command.name, text, is_question=False)\n", "",
               ("tests/instruments/test_untouchable.py::test_the_connection_refuses_the_bytes_even_when_nobody_else_did",)))),
    Row("A19", "nothing is recorded after a trip", 2, "note",
        (Knock("chargerd/daemon/channel.py", "        watched_s = 0.0 if state is State.COMPLETE else self._watch_after_s\n", "        watched_s = 0.0\n",
               ("tests/faults/test_after_a_trip.py::test_an_hour_more_is_recorded",)),)),
    # --- B: power path -----------------------------------------------------------------------------------------------------
    Row("B1", "source and load are on together", 3, "trip", (detector("source-and-load-on"), detector("load-found-on"))),
    Row("B2", "a supply that is off drains the cell", 3, "note",
        (Knock("chargerd/core/relay.py", "    return memory.connected and step.lasts_s <= REST_CONNECTED_MAX_S\n", "    return memory.connected\n",
               (f"{SWITCHING}::test_b2_an_off_supply_that_bleeds_takes_nothing_from_a_cell_behind_an_open_relay",)),)),
    Row("B3", "a supply's protection sinks the cell's current", 4, "trip", (detector("instrument-protection"),)),
    Row("B4", "switching off has no effect", 4, "trip, tried again, told",
        (Knock("chargerd/instruments/roles.py", "            if not is_on and abs(current_A) <= self.zero_current_A:\n", "            if not is_on:\n",
               (f"{BENCH}::test_off_is_not_believed_while_current_flows",)),
         detector("current-while-off"))),
    Row("B5", "a sense lead is open or reversed", 3, "trip", (detector("step-voltage"),)),
    Row("B6", "the cell's relay is welded, or does not close", 3, "refuse or trip",
        (detector("relay-contradicts", "tests/core/test_relay.py::test_a_second_contact_that_contradicts_trips"),
         detector("relay-found-open", "tests/core/test_relay.py::test_a_relay_that_opened_by_itself_trips"),
         Knock("chargerd/daemon/checking.py", '    if "mirror" not in relay.dialect.questions and not bench.inputs.meter and not moved:\n', "    if False:\n",
               ("tests/faults/test_at_the_start.py::test_a_relay_whose_closing_nothing_shows_is_refused",)))),
    Row("B7", "a supply comes back with its output on", 4, "refuse, trip",
        (detector("source-found-on"), detector("instrument-restarted"),
         Knock("chargerd/instruments/bench.py", "            await instrument.check_power_on()\n", "",
               (f"{BENCH}::test_a_power_on_state_that_is_not_off_is_refused",)))),
    Row("B8", "the load's mode is changed", 3, "trip", (detector("load-mode-changed"),)),
    Row("B9", "readers that share a ground short a cell", 4, "refuse",
        (Knock("chargerd/config/bench.py", "    check_isolation(", "    (lambda *_: None)(",
               ("tests/faults/test_at_the_start.py::test_two_earthed_readers_on_different_taps_are_refused_by_name",)),)),
    Row("B10", "a relay closes by itself", 4, "trip",
        (detector("relay-found-closed", f"{SWITCHING}::test_b10_a_person_who_closes_the_relay_at_rest_trips_the_run_and_it_is_opened"),)),
    Row("B11", "an output that must be left alone is addressed", 4, "refuse",
        (Knock("chargerd/instruments/opening.py", "                alone.judge(name, command.name, command.template, is_question=False)\n", "                pass\n",
               (f"{ALONE}[on-OUTPut ON,(@1:2)-never_touch: [fan]\\n]",)),)),
    # --- C: instruments and links --------------------------------------------------------------------------------------------
    Row("C1", "a command is not carried out", 3, "trip",
        (Knock("chargerd/instruments/roles.py", '        if not self.is_on:\n            raise InstrumentError(f"{self.name}: switched on, but', '        if False:\n            raise InstrumentError(f"{self.name}: switched on, but',
               (f"{LINKS}[ignore_on-charge-forever]",)),
         Knock("chargerd/instruments/roles.py", "        if not abs(answer - sent) <= step * 1.000001:\n", "        if False:\n", (f"{LINKS}[ignore_set-discharge-forever]",)))),
    Row("C2", "a sensor or a read-back is frozen", 3, "trip",
        (Knock("chargerd/instruments/bench.py", "            if sampler.asked and name in frozen:\n", "            if False:\n",
               ("tests/worlds/test_sensor_faults.py::test_a_sensor_frozen_while_the_room_warms_trips_as_lost",)),
         Knock("chargerd/core/engine.py", "        if not record.verified:\n", "        if False:\n", (f"{LINKS}[freeze-charge-forever]",))),
        left="a supply's own frozen current shows only when it is to be proven off; a meter beside it sees it at once"),
    Row("C3", "a meter contradicts the supply", 3, "trip",
        (detector("voltages-differ", f"{SWITCHING}::test_c3_a_meter_that_contradicts_what_drives_the_cell_trips_after_three_readings"),)),
    Row("C4", "a reply is garbled, cut or endless", 4, "missing",
        (Knock("chargerd/instruments/framing/scpi.py", "    if len(stripped) > NUMBER_LENGTH_MAX or _NUMBER.fullmatch(stripped) is None:\n", "    if _NUMBER.match(stripped) is None:\n",
               ("tests/instruments/test_scpi_grammar.py",)),)),
    Row("C5", "a late reply is taken for the next one's", 4, "missing",
        (Knock("chargerd/instruments/transports/memory.py", "            if not answered:\n", "            if False:\n",
               ("tests/instruments/test_links.py::test_a_memory_reply_after_the_deadline_makes_the_link_dirty",)),
         Knock("chargerd/instruments/acting.py", "was_on=was_on)", "was_on=bool(output.is_on))",
               ("tests/faults/test_late_replies.py::test_a_proof_of_on_or_off_that_comes_late_is_asked_for_again[load-INP?]",)))),
    Row("C6", "a reply comes twice, or the question comes back", 2, "missing",
        (Knock("chargerd/instruments/transports/memory.py", "            if end + len(self._terminator) < len(received):\n", "            if False:\n",
               ("tests/instruments/test_links.py::test_a_doubled_memory_reply_is_never_taken_for_the_next_answer",)),)),
    Row("C7", "a reply is no number, or none of ours", 4, "missing",
        (Knock("chargerd/instruments/framing/scpi.py", '    if abs(size - _NOT_A_NUMBER) < _NOT_A_NUMBER * _SPECIAL_TOLERANCE / 2:\n        raise NoReadingError(f"the instrument has no reading ({stripped})")\n    raise OverRangeError(f"the instrument is over its range ({stripped})")', "    return value",
               ("tests/instruments/test_scpi_grammar.py::test_the_standard_not_a_number_is_no_reading",)),)),
    Row("C8", "no reply comes", 3, "missing, then trip", (detector("reading-lost", LOST), LAPSED)),
    Row("C9", "an instrument is gone", 4, "missing, then trip", (detector("reading-lost", LOST), LAPSED)),
    Row("C10", "the port is another instrument now", 4, "refuse",
        (Knock("chargerd/instruments/connection.py", "        if reply != expected:\n", "        if False:\n", (f"{BENCH}::test_an_identity_swapped_during_the_run_stops_every_write_at_the_first_new_link",)),
         Knock("chargerd/instruments/connection.py", "        if reply != expected:\n", "        if False:\n", (f"{LINKS}[swap-charge-forever]",)))),
    Row("C11", "another program talks on the port", 3, "refuse",
        (Knock("chargerd/instruments/transports/memory.py", '        self._give(b"", now_s)  # as a port is looked into before anything is written to it\n', "",
               (f"{FOREIGN}[probe-1.234\\n-here]",)),
         Knock("chargerd/instruments/transports/memory.py", "            if arrival_s <= now_s:\n                raise", "            if False:\n                raise",
               ("tests/instruments/test_links.py::test_a_doubled_memory_reply_is_never_taken_for_the_next_answer",)),
         Knock("chargerd/instruments/transports/serial_bus.py", "        if waiting:\n", "        if False:\n",
               ("tests/instruments/test_links.py::test_unasked_bytes_on_a_line_end_the_link[serial]",)))),
    Row("C12", "a person turns something at the panel", 3, "pause or trip",
        (detector("set-point-changed"), detector("protection-level-changed"), detector("load-found-off"),
         Knock("chargerd/core/engine.py", "        if m.live and step.direction > 0 and seen.source_on is False:\n", "        if False:\n", (f"{LINKS}[panel_switch-charge-forever]",)))),
    Row("C13", "an instrument restarts", 3, "trip", (detector("instrument-restarted"),)),
    Row("C14", "an instrument's error queue is not empty", 2, "refuse",
        (Knock("chargerd/instruments/roles.py", "        if entries:\n            listed", "        if False:\n            listed", (f"{BENCH}::test_errors_in_a_queue_are_refused_once_and_query_errors_are_forgiven",)),)),
    Row("C15", "an instrument's own protection acts", 3, "trip", (detector("instrument-protection"),)),
    Row("C16", "another unit or range is read", 4, "missing",
        (Knock("chargerd/instruments/sample.py", "        return rating is None or abs(value) <= BEYOND_BELIEF * rating\n", "        return True\n", (f"{BENCH}::test_a_reading_beyond_twice_the_rating_is_not_believed", f"{LINKS}[unit-charge-forever]")),)),
    Row("C17", "an instrument is slow", 2, "missing",
        (Knock("chargerd/core/reading.py", " and self.age_s <= age_max_s:\n", ":\n", ("tests/core/test_engine.py::test_a_stale_value_counts_as_missing",)),
         Knock("chargerd/daemon/channel.py", "            now_s = self.elapsed_s()\n            if full:\n                self._full_due_s = now_s + FULL_EVERY_S\n",
               "            if full:\n                now_s = self.elapsed_s()\n                self._full_due_s = now_s + FULL_EVERY_S\n",
               ("tests/faults/test_slow_and_foreign.py::test_a_slow_bench_is_read_less_often_and_nothing_piles_up[0.4]",)))),
    Row("C18", "a driver never returns", 4, "trip, then the keeper",
        (Knock("chargerd/instruments/transports/worker.py", "            async with asyncio.timeout(deadline_s + GRACE_S):\n", "            async with asyncio.timeout(deadline_s + 100 * GRACE_S):\n",
               ("tests/faults/test_hung_driver.py::test_a_call_that_never_returns_is_given_up_and_the_other_links_go_on",)),
         LAPSED)),
    Row("C19", "the current's zero is wrong", 3, "refuse",
        (Knock("chargerd/daemon/checking.py", "            judge_zero(hands.source, source)\n", "", (f"{SWITCHING}::test_c19_a_zero_outside_the_stated_accuracy_is_refused_in_words",)),)),
    # --- D: thermometers -------------------------------------------------------------------------------------------------------
    Row("D1", "a sensor is open", 4, "missing, then trip",
        (Knock("chargerd/instruments/sensors/sensor.py", "        if ohm > OPEN_FACTOR * zero_ohm:\n", "        if False:\n", ("tests/instruments/test_sensors.py::test_a_fault_is_never_a_number",)),
         Knock("chargerd/core/observation.py", "    if has_thermometer and seen.temperature_degC is None:\n", "    if False:\n", ("tests/worlds/test_sensors_on_the_wire.py::test_a_sensor_that_fails_ends_the_run_within_its_bound[open-charge]",)))),
    Row("D2", "a sensor is shorted", 4, "missing, then trip",
        (Knock("chargerd/instruments/sensors/sensor.py", "        if not ohm >= THERMISTOR_SHORT_ohm:\n", "        if False:\n", ("tests/worlds/test_sensors_on_the_wire.py::test_a_sensor_that_fails_ends_the_run_within_its_bound[thermistor short-charge]",)),)),
    Row("D3", "a sensor is frozen", 4, "missing, then trip",
        (Knock("chargerd/instruments/bench.py", "            if sampler.asked and name in frozen:\n", "            if False:\n", ("tests/worlds/test_sensors_on_the_wire.py::test_a_sensor_that_freezes_while_the_room_moves_is_found",)),)),
    Row("D4", "a sensor fell off and reads the room", 4, "refuse",
        (Knock("chargerd/daemon/warm_hand.py", "    if not rise_K >= needed_K:\n        raise", "    if False:\n        raise",
               (f"{START}::test_d4_a_sensor_that_fell_off_and_reads_the_room_is_refused",)),)),
    Row("D5", "sensors of two channels are exchanged", 4, "refuse",
        (Knock("chargerd/daemon/warm_hand.py", "        if not other_K < max(needed_K, rise_K):\n", "        if False:\n",
               (f"{START}::test_d5_a_hand_shows_which_sensor_is_whose[room-False]",)),)),
    Row("D6", "one wild reading", 1, "note", left="a hard limit acts on the first valid reading: a wild one ends the run, on the safe side; ends are confirmed by a second one"),
    Row("D7", "the room's sensor or the cold junction is lost", 2, "missing",
        (Knock("chargerd/instruments/sensors/sensor.py", '        if cold_junction_degC is None:\n            raise SensorFaultError(Fault.COLD_JUNCTION, f"{raw_V * 1000:g} mV")\n', "        cold_junction_degC = 25.0 if cold_junction_degC is None else cold_junction_degC\n",
               ("tests/worlds/test_sensors_on_the_wire.py::test_a_sensor_that_fails_ends_the_run_within_its_bound[cold junction open-charge]",)),)),
    Row("D8", "a sensor answers before it has measured", 3, "missing",
        (Knock("chargerd/instruments/sensors/sensor.py", "            if not (is_ramp and now_s - self._moved_s <= STAY_S):\n", "            if False:\n", ("tests/instruments/test_sensors.py::test_85_for_ever_after_a_room_is_a_fault_for_ever_and_once_is_only_once",)),)),
    # --- E: the program and its computer -----------------------------------------------------------------------------------------
    Row("E1", "the worker is killed", 4, "the keeper switches off",
        (Knock("chargerd/daemon/keeper.py", '        need(stopped_early or (orderly and not running), f"the worker ended ({how})")\n', "        del how\n", ("tests/daemon/test_keeper.py::test_every_failure_of_the_worker_ends_in_verified_off_in_time[killed after done]",)),)),
    Row("E2", "memory runs out", 4, "as a kill", left="the kernel's kill is that of E1; the unit's limits are the service manager's"),
    Row("E3", "the worker hangs", 4, "the keeper switches off",
        (Knock("chargerd/daemon/keeper.py", '            need(silence_s <= self.patience_s, f"{name} has been silent for {silence_s:.1f} s")\n', "", ("tests/daemon/test_keeper_watch.py::test_a_silent_channel_is_noticed_although_another_one_beats",)),)),
    Row("E4", "a bug raises in the middle of a pass", 3, "trip",
        (Knock("chargerd/daemon/channel.py", '            await self._make_safe(Fault("program-fault", f"{type(fault).__name__}: {fault}"))\n', "            raise\n",
               ("tests/faults/test_seams.py::test_an_exception_anywhere_in_a_pass_trips_with_everything_off[the wall clock]",)),
         Knock("chargerd/daemon/channel.py", "        except Exception as fault:", "        except ValueError as fault:",
               ("tests/faults/test_seams.py::test_an_exception_in_a_watcher_trips_with_everything_off",)))),
    Row("E5", "the program stood still for a while", 3, "trip",
        (Knock("chargerd/core/deadline.py", "    if m.state != State.RUNNING or not m.live or now_s <= valid_until_s(m, step, missed_max):\n", "    if True:\n", (f"{STALLS}[charge]",)),)),
    Row("E6", "file descriptors run out", 2, "refuse", left="links are opened at the start and kept; nothing here provokes it"),
    Row("E7", "the keeper dies", 3, "trip",
        (Knock("chargerd/daemon/worker.py", '        self._ask(Fault("keeper-lost", why))\n', "", ("tests/processes/test_kills.py::test_a_killed_keeper_trips_its_run_at_once",)),)),
    Row("E8", "the program crashes again and again", 3, "stay off", left="being built: restarts counted by the resume policy and the service manager"),
    Row("E9", "the power is cut", 4, "off first, then a person",
        (Knock("chargerd/core/engine.py", '            self._change("interrupted", "the program ended without stopping the run", events)\n', "", ("tests/core/test_engine.py::test_after_a_gap_a_run_waits_for_a_person_and_is_charged_for_the_worst",)),)),
    Row("E10", "the kernel hangs", 4, "the dead-man relay", left="nothing here can hang a kernel; the relay's feed is E3's, its drop-out is proven by commissioning"),
    Row("E11", "the computer sleeps", 4, "trip", left="being built: the clocks' difference at each pass"),
    Row("E12", "two programs on one instrument", 4, "refuse",
        (Knock("chargerd/daemon/worker.py", "            stack.enter_context(AddressLocks([*(spec.address for spec in run.instruments()), *feed_lock(run.bench, run.channel)]))\n", "", ("tests/processes/test_dead_man_run.py::test_a_second_run_on_the_same_relay_is_refused_and_the_first_goes_on",)),)),
    Row("E13", "the program was upgraded in mid-run", 2, "refuse",
        (Knock("chargerd/journal/writer.py", "        if began != engine_version:\n", "        if False:\n", ("tests/journal/test_writer.py::test_reopening_refuses_another_engine_version_and_a_torn_tail",)),)),
    Row("E14", "limits change in memory", 4, "the keeper switches off",
        (Knock("chargerd/daemon/keeper.py", '        need(canonical_digest(limits) == channel.digest, f"{name}: the frozen limits have changed in memory")\n', "", ("tests/daemon/test_keeper_watch.py::test_frozen_limits_that_change_in_memory_are_noticed",)),)),
    Row("E15", "the terminal closes, or a signal comes", 3, "stop",
        (Knock("chargerd/daemon/keeper.py", "            self.worker.send_signal(signal.SIGTERM)\n", "", ("tests/daemon/test_keeper.py::test_a_signal_lets_the_worker_make_safe_by_itself",)),)),
    # --- F: storage ----------------------------------------------------------------------------------------------------------------
    Row("F1", "the disk is full", 2, "stop",
        (Knock("chargerd/journal/writer.py", "        if written != len(line):\n", "        if False:\n", ("tests/journal/test_writer.py::test_a_row_that_does_not_fit_leaves_nothing_half_and_may_be_written_later",)),)),
    Row("F2", "the disk is read-only", 2, "stop", left="being built: rows wait, then the run stops"),
    Row("F3", "the disk is slow or hangs", 3, "stop", left="being built: syncing beside the control loop"),
    Row("F4", "the disk says that a write was lost", 2, "stop",
        (Knock("chargerd/journal/writer.py", '            self._broken = f"{self.path}: rows up to {self.seq} may be lost: {error.strerror}; this file is not written again"\n            raise JournalError(self._broken) from error\n', "            raise JournalError(error.strerror) from error\n", ("tests/journal/test_writer.py::test_after_a_failed_sync_nothing_is_written_any_more",)),)),
    Row("F5", "a row is torn or damaged", 2, "cut and told, or refuse",
        (Knock("chargerd/journal/rowcheck.py", '    if line[-_SEALED:-2] != b"%08x" % crc32(line[:-_SEALED]):\n', "    if int(line[-_SEALED:-2], 16) != crc32(line[:-_SEALED]):\n", ("tests/journal/test_rowcheck.py::test_an_upper_case_hex_digit_is_damage",)),)),
    Row("F6", "a frozen file is missing or was changed", 3, "refuse",
        (Knock("chargerd/daemon/keeper.py", '    if not isinstance(plan, dict) or plan.get("channel") != channel or not plan.get("outputs"):\n', "    if False:\n", ("tests/daemon/test_keeper_watch.py::test_without_a_usable_off_plan_the_limits_are_refused_and_the_others_go_on",)),)),
    Row("F7", "no inodes are left, or the flash is worn", 2, "stop", left="the same writes fail as in F1 and F4"),
    # --- G: clocks -----------------------------------------------------------------------------------------------------------------
    Row("G1", "the wall clock is set", 2, "note", left="being built: clock scripts"),
    Row("G2", "nobody knows the time at boot", 3, "a person", left="being built: trust in the clock"),
    # --- H: people and networks ------------------------------------------------------------------------------------------------------
    Row("H1", "the broker is away", 1, "note",
        (Knock("chargerd/status/mailbox.py", "            if len(self._events) > EVENTS_MAX:\n", "            if False:\n", ("tests/status/test_mailbox.py",)),)),
    Row("H2", "the broker is slow", 1, "note", left="the watcher's own expiry: H5"),
    Row("H3", "somebody sends a command by MQTT", 4, "nothing", left="there is no subscription that could be taken out; tests/status/test_mqtt.py counts them at the broker"),
    Row("H4", "a command is kept or repeated", 2, "nothing", left="as H3"),
    Row("H5", "a watcher sees an old 'all well'", 2, "unknown since",
        (Knock("chargerd/status/display.py", "    if age_s <= snapshot.valid_for_s or snapshot.unknown_since is not None:\n", "    if True:\n", ("tests/status/test_display.py::test_older_than_valid_is_unknown_since",)),)),
    Row("H6", "a frozen file is edited", 3, "refuse",
        (Knock("chargerd/journal/runfolder.py", "        if file.sha256 != hashes[key]:\n", "        if False:\n", ("tests/journal/test_runfolder.py::test_a_frozen_copy_that_does_not_fit_its_hash_is_refused",)),)),
    Row("H7", "a file is hostile or mistyped", 4, "refuse",
        (Knock("chargerd/config/marked.py", '            self._faults.add(self._place(event), f"an alias (*{event.anchor}) stands here", "write the value out")\n', "", ("tests/config/test_broken_files.py",)),)),
    Row("H8", "a bypass is forgotten", 4, "expires", left="there is no bypass: no guard can be switched off"),
    Row("H9", "a name or a text carries commands", 3, "escape",
        (Knock("chargerd/journal/rowcheck.py", "    return f\"'{text}\" if text.lstrip(\" \").startswith(_FORMULA_STARTS) else text\n", "    return text\n", ("tests/journal/test_rowcheck.py::test_no_text_cell_is_a_formula_or_a_control_character",)),)),
    Row("H10", "the web page is flooded", 2, "drop", left="there is no web page yet"),
    Row("H11", "alerts come in a flood", 2, "summarise", left="there are no alerts to people yet"),
    Row("H12", "a wrong number is typed", 4, "refuse",
        (Knock("chargerd/config/cell.py", "    rated_Ah = typed_Ah if measured else bounded_rating(typed_Ah, ingredients)\n", "    rated_Ah = typed_Ah\n", ("tests/config/test_models.py",)),)),
    Row("H13", "everything is dead and nobody is told", 4, "a buzzer", left="the buzzer hangs on the relay's contact and is heard by a person at commissioning"),
    Row("H14", "alerts no longer reach anybody", 3, "note", left="there are no alerts to people yet"),
)  # fmt: skip
