"""Bugs as a tired author would write them, each planted in a copy of the tree: a named test must go red for every one."""

from __future__ import annotations

from tests.faults.knock import Knock

VOLTAGES = "chargerd/core/detect/voltages.py"
CURRENTS = "chargerd/core/detect/currents.py"
TEMPERATURES = "chargerd/core/detect/temperatures.py"
PROTECTION = "chargerd/core/detect/protection.py"
ENGINE = "chargerd/core/engine.py"
CHANNEL = "chargerd/daemon/channel.py"
KEEPER = "chargerd/daemon/keeper.py"
OFF = "chargerd/daemon/off.py"
OFF_WIRE = "chargerd/daemon/off_wire.py"
ROLES = "chargerd/instruments/roles.py"
SCPI = "chargerd/instruments/framing/scpi.py"
START = "tests/worlds/test_start.py"
TEST_LIMITS = ("tests/core/test_limits.py",)
TEST_OFF = ("tests/daemon/test_off.py",)
TEST_WATCH = ("tests/daemon/test_keeper_watch.py",)

PLANTED: dict[str, Knock] = {
    # --- limits ------------------------------------------------------------------------------------------------------------
    "a NaN passes for a healthy voltage": Knock(
        VOLTAGES, '        if not voltage_V <= most_V:\n            return Trip("over-voltage", voltage_V, most_V)\n    return None',
        '        if voltage_V > most_V:\n            return Trip("over-voltage", voltage_V, most_V)\n    return None', TEST_LIMITS),
    "only the first voltage is judged": Knock(
        VOLTAGES, "    for voltage_V in sight.seen.voltages_V:\n        if not voltage_V <= most_V:", "    for voltage_V in sight.seen.voltages_V[:1]:\n        if not voltage_V <= most_V:",
        ("tests/core/test_limits.py::test_any_one_valid_voltage_may_trip",)),
    "a NaN passes for a healthy current": Knock(
        CURRENTS, "        if raw_A is not None and not abs(raw_A) <= most_A:\n", "        if raw_A is not None and abs(raw_A) > most_A:\n",
        ("tests/faults/test_no_number.py",)),
    "a discharge may be as large as it likes": Knock(
        CURRENTS, "        if not -signed_A <= limits.discharge_current_max_A:\n", "        if not signed_A <= limits.discharge_current_max_A:\n",
        ("tests/core/test_limits.py", "tests/core/test_ammeter_and_bank.py")),
    "a bound is crossed only well beyond it": Knock(
        "chargerd/core/limits.py", "BOUND_FACTOR = 1.25\n", "BOUND_FACTOR = 2.25\n", TEST_LIMITS),
    "heating exactly at its limit is taken for below it": Knock(
        TEMPERATURES, "        if not slope_K_per_min < most:\n", "        if not slope_K_per_min <= most:\n",
        ("tests/core/test_detectors.py::test_heating_exactly_at_its_limit_trips",)),
    "the room is forgotten": Knock(
        TEMPERATURES, "(m.start_degC if seen.ambient_degC is None else seen.ambient_degC)", "m.start_degC", TEST_LIMITS),
    "protection counts the smaller current": Knock(
        PROTECTION, "            worst_A = max(abs(m.last_A), abs(current_A))\n", "            worst_A = min(abs(m.last_A), abs(current_A))\n", TEST_LIMITS),
    "a gap costs nothing": Knock(
        PROTECTION, "        m.charge_Ah += worst_Ah\n        m.energy_Wh", "        m.energy_Wh", TEST_LIMITS),
    "missing readings begin their count anew": Knock(
        "chargerd/core/detect/sums.py", "    m.missed += 1\n", "    m.missed = 1\n", TEST_LIMITS),
    # --- engine ------------------------------------------------------------------------------------------------------------
    "a missing reading renews the lease": Knock(
        "chargerd/core/deadline.py", "    m.missed += 1\n    events.extend(ReadingLost", "    m.missed += 1\n    m.last_good_s = now_s\n    events.extend(ReadingLost",
        ("tests/core/test_engine.py",)),
    "a later trip takes the place of the first": Knock(
        ENGINE, "        if m.state == State.TRIPPED:\n            return\n        m.trip_cause = trip.cause\n", "        m.trip_cause = trip.cause\n",
        ("tests/core/test_engine.py::test_only_the_first_trip_is_the_cause",)),
    "an end goes before a trip": Knock(
        ENGINE, "        elif trip is not None:\n            self._trip(trip, events)\n        elif running:\n", "        elif trip is not None and not running:\n            self._trip(trip, events)\n        elif running:\n",
        ("tests/core/test_engine.py",)),
    "a tripped channel may be resumed": Knock(
        "chargerd/core/states.py", '    State.TRIPPED: {"interrupted": State.TRIPPED,', '    State.TRIPPED: {"resume": State.CHECKING, "interrupted": State.TRIPPED,',
        ("tests/core/test_states.py",)),
    "a run goes on by itself after a gap": Knock(
        ENGINE, '            self._hold(paused_from_s(m, self.step, record, now_s))\n            self._change("interrupted", INTERRUPTED, events)\n', "            pass\n",
        ("tests/core/test_gap.py::test_a_gap_leaves_a_running_run_paused_by_nobody",)),
    # --- channel -----------------------------------------------------------------------------------------------------------
    "switched on before its row is written": Knock(
        CHANNEL, "            observed = await self._let_fall(events)\n            self.seq = self.journal.reading(reading, self.engine.derived, utc)\n",
        "            await self._raise()\n            observed = await self._let_fall(events)\n            self.seq = self.journal.reading(reading, self.engine.derived, utc)\n",
        ("tests/faults/test_order_of_a_pass.py",)),
    "raised on half a reading": Knock(
        CHANNEL, "        if self.engine.memory.missing:\n            # Nothing", "        if False:\n            # Nothing",
        ("tests/faults/test_order_of_a_pass.py", "tests/core/test_engine.py")),
    "an output that did not go off is left alone": Knock(
        CHANNEL, "            self._retry_off_s = round(self.elapsed_s() + RETRY_OFF_S, 3)\n", "            self._retry_off_s = None\n",
        ("tests/worlds/test_link_faults.py::test_the_run_ends_as_stated[ignore_off-charge-forever]",)),
    # --- instruments -------------------------------------------------------------------------------------------------------
    "off is believed by the state alone": Knock(
        ROLES, "            if not is_on and abs(current_A) <= self.zero_current_A:\n", "            if not is_on:\n",
        ("tests/instruments/test_bench.py::test_off_is_not_believed_while_current_flows",)),
    "off is tried once": Knock(
        ROLES, "        for _ in range(OFF_TRIES):\n", "        for _ in range(1):\n", ("tests/instruments/test_bench.py", "tests/worlds/test_link_faults.py")),
    "the source goes off last": Knock(
        "chargerd/instruments/acting.py", "        offs = [asyncio.ensure_future(self.source.switch_off())]\n        await asyncio.wait(offs, timeout=SOURCE_FIRST_S)\n        if self.load is not None:\n            offs.append(asyncio.ensure_future(self.load.switch_off()))\n",
        "        offs = [asyncio.ensure_future(self.load.switch_off())] if self.load is not None else []\n        if offs:\n            await asyncio.wait(offs, timeout=SOURCE_FIRST_S)\n        offs.append(asyncio.ensure_future(self.source.switch_off()))\n",
        ("tests/instruments/test_bench.py::test_make_safe_switches_the_source_off_first_and_both_are_proven",)),
    "armed for ever": Knock(
        ROLES, "        return self.has_limits and self._points_proof == self.connection.generation\n", "        return self._points_proof != -1\n",
        ("tests/instruments/test_bench.py::test_on_is_refused_before_limits_and_after_a_reopening",)),
    # --- reply grammar -----------------------------------------------------------------------------------------------------
    "float() reads the replies": Knock(
        SCPI, "    if len(stripped) > NUMBER_LENGTH_MAX or _NUMBER.fullmatch(stripped) is None:\n", "    try:\n        float(stripped)\n    except ValueError:\n",
        ("tests/instruments/test_scpi_grammar.py::test_what_is_no_number_of_the_standard_is_refused",)),
    "the digits of any script are digits": Knock(
        SCPI, '_INTEGER = re.compile(r"[+-]?[0-9]{1,10}")', '_INTEGER = re.compile(r"[+-]?\\d{1,10}")',
        ("tests/instruments/test_scpi_grammar.py::test_what_is_no_integer_is_refused",)),
    "a reply only has to begin right": Knock(
        SCPI, "    if _WORD.fullmatch(word) is None:\n", "    if _WORD.match(word) is None:\n", ("tests/instruments/test_scpi_grammar.py::test_what_is_no_word_is_refused",)),
    # --- keeper ------------------------------------------------------------------------------------------------------------
    "the keeper lets a NaN pass": Knock(
        KEEPER, "    need(type(value) in (int, float) and abs(value) < NUMBER_MAX, ", "    need(type(value) in (int, float) and not abs(value) >= NUMBER_MAX, ", TEST_WATCH),
    "the relay is fed while an output is in doubt": Knock(
        KEEPER, " if name in self.relays and not running[name].off_doubted}", " if name in self.relays}",
        ("tests/daemon/test_dead_man.py::test_the_keeper_feeds_a_pty_in_turn_and_stops_while_off_is_doubted",)),
    "the relay is fed by a level that stands still": Knock(
        KEEPER, "now_s + TICK_S, 1 - self._level\n", "now_s + TICK_S, 1\n", ("tests/daemon/test_keeper.py::test_the_relay_is_fed_by_toggling_while_the_channel_is_proven_and_not_after",)),
    "an old beat counts as a new one": Knock(
        KEEPER, "        need(seq > channel.seq, ", "        need(seq >= channel.seq, ", TEST_WATCH),
    "a value is missing for as long as it likes": Knock(
        KEEPER, '                need(missing_s <= age_max_s, f"{name}: no {key} for {missing_s:.1f} s")\n', "                pass\n", TEST_WATCH),
    "done without a proof of off": Knock(
        KEEPER, "        need(verified and state in OFF_STATES, ", "        need(state in OFF_STATES, ", TEST_WATCH),
    "rows wait for the disk for ever": Knock(
        KEEPER, '        need(unwritten_s < UNWRITTEN_MAX_S, f"{name}: rows have waited {unwritten_s:g} s for the disk")\n', "", TEST_WATCH),
    # --- off ---------------------------------------------------------------------------------------------------------------
    "off writes to whoever answers": Knock(OFF, "                    if wrong:\n                        continue\n", "", TEST_OFF),
    "off does not ask whether it is off": Knock(OFF, "                    is_off, told = verify(link, output, until_s, in_doubt=in_doubt)\n", '                    is_off, told = True, ""\n', TEST_OFF),
    "off needs an answer before it says off": Knock(
        OFF, "                missing = send_off(", "                if not is_right:\n                    continue\n                missing = send_off(", TEST_OFF),
    "off takes half a number for a number": Knock(
        OFF_WIRE, "        is_line = self.end[-1:] in reply and text.isascii()", "        is_line = text.isascii()", TEST_OFF),
    "off believes an infinite current": Knock(
        OFF_WIRE, "abs(float(value) * self.scale) < self.abs_below)", "not abs(float(value) * self.scale) >= self.abs_below)", TEST_OFF),
    # --- recovery ----------------------------------------------------------------------------------------------------------
    "a check value in capitals is accepted": Knock(
        "chargerd/journal/rowcheck.py", '    if line[-_SEALED:-2] != b"%08x" % crc32(line[:-_SEALED]):\n', '    if line[-_SEALED:-2].lower() != b"%08x" % crc32(line[:-_SEALED]):\n',
        ("tests/journal/test_rowcheck.py::test_an_upper_case_hex_digit_is_damage",)),
    "a torn tail is left where it is": Knock(
        "chargerd/journal/recovery.py", "            cut(file.descriptor, tail.size, tail.torn)\n", "            pass\n",
        ("tests/journal/test_reader.py::test_a_tail_that_is_partly_zeros_is_cut[readings.csv]",)),
    "an acknowledged command is in the kernel's memory only": Knock(
        "chargerd/journal/writer.py", "            seq = self._append(body, self._readings_seq)\n            self._sync()\n", "            seq = self._append(body, self._readings_seq)\n",
        ("tests/journal/test_writer.py::test_a_command_is_on_the_disk_after_its_readings_before_it_is_acknowledged",)),
    "a cleared latch comes back, a latched one is forgotten": Knock(
        "chargerd/journal/ledger.py", '            elif row.kind == "tripped" and trip is None:\n', '            elif row.kind == "tripped" and trip is not None:\n', ("tests/journal/test_ledger.py",)),
    # --- start -------------------------------------------------------------------------------------------------------------
    "set-points are written whatever they are": Knock(
        "chargerd/instruments/acting.py", "        if why:\n            raise NotAllowedError", "        if False:\n            raise NotAllowedError",
        (f"{START}::test_inv11_nothing_above_the_hard_limits_is_ever_written",)),
    "left alone, whatever is within the hard limits is written": Knock(
        "chargerd/daemon/checking.py", "            bench.hands.allowed = allowed_in(plan, facts.untended, facts.alone)\n", "            pass\n",
        (f"{START}::test_inv11_what_is_not_harmless_is_not_written_in_a_run_that_is_left_alone",)),
    "a bound that is no number is kept to": Knock(
        "chargerd/config/hygiene.py", "        if not moved_Ah <= held.bound_Ah * SAME:\n", "        if moved_Ah > held.bound_Ah * SAME:\n",
        ("tests/config/test_hygiene.py::test_what_is_no_number_is_not_harmless",)),
    "a run is granted without a hand on the thermometer": Knock(
        "chargerd/config/unattended.py", "    if channel.thermometer and shown.warm_hand:\n", "    if False:\n",
        ("tests/config/test_unattended.py::test_each_reason_refuses_by_itself_and_says_what_to_do",)),
    "a watchdog nobody has proven counts": Knock(
        "chargerd/config/readiness.py", '    return frozenset({-1} if "watchdog" in proven else {1, -1})\n', "    return frozenset({-1})\n",
        ("tests/config/test_unattended.py::test_what_nothing_switches_off_is_what_no_proof_covers",)),
    "a dead-man relay nobody has proven ends a hang": Knock(
        "chargerd/config/fit.py", 'dead_man_proven="dead-man" in fit.proven)', "dead_man_proven=True)",
        ("tests/config/test_unattended.py::test_only_a_proven_dead_man_relay_counts_for_a_hang_in_the_safety_time",)),
    "nobody counts what the probe puts in": Knock(
        "chargerd/core/detect/protection.py", "        m.charge_Ah += worst_Ah\n        m.gas_charge_Ah += worst_Ah\n\n", "\n",
        ("tests/core/test_probe_charge.py",)),
}  # fmt: skip
