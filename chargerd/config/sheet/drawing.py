"""One channel drawn: source, load or resistors, rails, relay, fuse, cell or string, everything that measures. SVG, in mm."""

from __future__ import annotations

from dataclasses import dataclass, field

from chargerd.config.bank import bank_of
from chargerd.config.bench import BenchFile, ChannelSpec
from chargerd.config.sheet import symbols as draw
from chargerd.config.sheet.advice import plume_mm
from chargerd.config.sheet.circuit import Circuit, UNFUSED_MOST_mm, contact_number, ohms, tap_ohm
from chargerd.units import words

TOP = 20.0
"""Where the positive rail runs."""
CELL_mm = 16.0
"""Height of one cell of a string, its tap included."""
LENGTH = draw.LENGTH
PAGE_mm = 277.0


@dataclass(slots=True)
class Sheet:
    """A drawing as it grows to the right; `x` is where the next column begins, `bottom` where the negative rail runs."""

    circuit: Circuit
    bottom: float
    x: float = 6.0
    shunt_x: float = 0.0
    shapes: list[str] = field(default_factory=list)

    @property
    def bench(self) -> BenchFile:
        """Return the bench."""
        return self.circuit.bench

    @property
    def channel(self) -> ChannelSpec:
        """Return the channel."""
        return self.circuit.channel

    def add(self, *shapes: str) -> None:
        """Add shapes."""
        self.shapes.extend(shapes)

    def tag(self, x: float, y: float, key: str, at: int) -> None:
        """Add the number of the wire after part `at` of a chain."""
        self.add(draw.number(x, y, self.circuit.wire(key, at)))

    def column(self, width: float) -> float:
        """Take a column of that width; return where its wire runs."""
        self.x += width
        return self.x - width + 12.0


def channel_svg(circuit: Circuit) -> str:
    """Return the drawing of one channel."""
    count = max(1, len(circuit.channel.taps))
    sheet = Sheet(circuit, TOP + max(100.0, CELL_mm * count + 38))
    rail_from = _left(sheet)
    rail_to = sheet.x
    cell_x = _right(sheet)
    plus, minus = TOP, sheet.bottom
    sheet.add(draw.line(rail_from, plus, rail_to, plus), draw.line(rail_from, minus, rail_to, minus))
    sheet.add(draw.text(rail_from - 2, plus - 3, "+ rail", "name"), draw.text(rail_from - 2, minus + 7, "− rail", "name"))
    _negative(sheet, rail_to, cell_x)
    _frames(sheet)
    height = sheet.bottom + _legend_mm(sheet) + 8
    width = max(PAGE_mm, sheet.x + 4)
    return (
        f'<svg viewBox="0 0 {width:g} {height:g}" role="img" aria-label="wiring of channel {circuit.channel.name}" '
        f'xmlns="http://www.w3.org/2000/svg">{"".join(sheet.shapes)}</svg>'
    )


def _left(sheet: Sheet) -> float:
    """Draw source with its own meter, and load or resistors; return where the rails begin."""
    if sheet.channel.sense:
        sheet.x += 22.0
    x = _instrument(sheet, sheet.channel.source, "source", "source")
    if sheet.channel.sense:
        left, name = x - 22.0, sheet.channel.sense
        sheet.add(
            draw.line(left, 62, x, 62, "thin"), draw.line(left, 104, x, 104, "thin"), draw.line(left, 62, left, 104, "thin")
        )
        sheet.add(draw.dot(x, 62), draw.dot(x, 104), draw.meter(left, 83, "V"), draw.label(left - 10, 112, 26, name))
        sheet.tag(left + 9, 62, "sense+", 0)
        sheet.tag(left + 9, 104, "sense-", 0)
        sheet.add(draw.text(left - 5, 75, "+", "sign"), draw.text(left - 5, 94, "−", "sign"))
    bank = bank_of(sheet.bench, sheet.channel.load)
    if bank:
        sheet.add(draw.text(sheet.x + 12, TOP - 5, f"load: {sheet.channel.load}", "name"))
    for resistor in bank:
        _resistor(sheet, resistor.name, resistor.switch, resistor.resistance_ohm, resistor.power_W)
    if sheet.channel.load and not bank:
        _instrument(sheet, sheet.channel.load, "load", "load")
    return x


def _instrument(sheet: Sheet, name: str, role: str, key: str) -> float:
    """Draw source or load as a box between the rails, with the dead-man contact in its positive lead."""
    x = sheet.column(38)
    spec = sheet.bench.instruments[name]
    contact = contact_number(sheet.bench, name)
    sheet.add(draw.dot(x, TOP), draw.dot(x, sheet.bottom))
    if contact is None:
        sheet.add(draw.line(x, TOP, x, 68))
        sheet.tag(x, 44, f"{key}+", 0)
    else:
        sheet.add(draw.line(x, TOP, x, 34), draw.v_contact(x, 34), draw.line(x, 48, x, 68))
        sheet.add(draw.text(x + 3, 40, f"KD {contact}", "name"), draw.text(x + 3, 44.2, "dead-man", ""))
        sheet.tag(x, 28, f"{key}+", 1)
        sheet.tag(x, 54.5, f"{key}+", 0)
    sheet.add(draw.box(x - 11, 68, 32, 30), draw.terminal(x, 68), draw.terminal(x, 98))
    sheet.add(draw.text(x + 3, 73, "+", "sign"), draw.text(x + 3, 96.5, "−", "sign"))
    sheet.add(draw.line(x, 98, x, sheet.bottom))
    rated = (
        "" if spec.voltage_max_V is None or spec.current_max_A is None else f"{spec.voltage_max_V:g} V {spec.current_max_A:g} A"
    )
    sheet.add(draw.label(x - 9, 78.5, 29, name, role, f"output {spec.output}" if spec.output else rated))
    sheet.tag(x, (98 + sheet.bottom) / 2, f"{key}-", 0)
    return x


def _resistor(sheet: Sheet, name: str, switch: str, ohm: float, watt: float) -> None:
    x, key = sheet.column(38), f"resistor:{name}"
    contact, at, y = contact_number(sheet.bench, switch), 0, TOP
    sheet.add(draw.dot(x, TOP), draw.dot(x, sheet.bottom))
    if contact is not None:
        sheet.add(draw.line(x, y, x, 32), draw.v_contact(x, 32), draw.text(x + 3, 38, f"KD {contact}", "name"))
        sheet.tag(x, 27.5, key, 0)
        at, y = 1, 46.0
    sheet.add(draw.line(x, y, x, 56), draw.v_contact(x, 56, normally_open=_opens(sheet.bench, switch)))
    sheet.tag(x, (y + 56) / 2, key, at)
    sheet.add(draw.text(x + 5, 60, "relay", "name"), draw.label(x + 5, 64.2, 21, switch, _output(sheet.bench, switch)))
    sheet.add(draw.line(x, 70, x, 82), draw.v_resistor(x, 82), draw.line(x, 96, x, sheet.bottom))
    sheet.tag(x, 76, key, at + 1)
    sheet.tag(x, (98 + sheet.bottom) / 2, key, at + 2)
    sheet.add(draw.label(x + 4, 85, 22, name, ohms(ohm), words(watt, "power")))


def _opens(bench: BenchFile, switch: str) -> bool:
    contact = bench.instruments[switch].contact
    return contact is None or contact.without_power != "closed"


def _output(bench: BenchFile, name: str) -> str:
    output = bench.instruments[name].output
    return f"output {output}" if output else ""


def _right(sheet: Sheet) -> float:
    """Draw the positive lead with relay and fuse, the cells and what measures them; return where the cells stand."""
    y, at, x = TOP, 0, sheet.x
    switch = sheet.channel.switch
    steps: list[tuple[str, str]] = []
    if switch:
        contact = contact_number(sheet.bench, switch)
        if contact is not None:
            steps.append(("contact", f"KD {contact}"))
        steps.append(("contact" if _opens(sheet.bench, switch) else "closed", switch))
    steps.append(("fuse", words(sheet.bench.wiring.fuse_A, "current")))
    for kind, said in steps:
        sheet.add(draw.line(x, y, x + 12, y))
        sheet.tag(x + 6, y, "cell+", at)
        shape = draw.h_fuse if kind == "fuse" else draw.h_contact
        sheet.add(draw.h_contact(x + 12, y, normally_open=False) if kind == "closed" else shape(x + 12, y))
        above = "fuse" if kind == "fuse" else "dead-man" if said.startswith("KD ") else "relay"
        sheet.add(
            draw.text(x + 19, y - 7, above, "name", "middle"),
            draw.label(x + 12, y + 7.5, 25, said, _output(sheet.bench, said) if said == switch else ""),
        )
        x, at = x + 12 + LENGTH, at + 1
    cell_x = x + 32
    sheet.add(draw.line(x, y, cell_x, y), draw.text(x + 9, y - 4, f"{UNFUSED_MOST_mm} mm at most"))
    sheet.tag(x + 16, y, "cell+", at)
    sheet.x = cell_x
    _cells(sheet, cell_x)
    _meters(sheet, cell_x)
    return cell_x


def _cells(sheet: Sheet, x: float) -> None:
    """Draw the cell or the string between clips, in a dashed frame: the case."""
    count = max(1, len(sheet.channel.taps))
    first = TOP + (sheet.bottom - TOP - CELL_mm * count) / 2
    sheet.add(draw.line(x, TOP, x, first), draw.terminal(x, TOP + 3.5), draw.text(x - 3, TOP + 6, "clip", "", "end"))
    for number in range(count, 0, -1):
        y = first + CELL_mm * (count - number)
        sheet.add(draw.line(x, y, x, y + 1), draw.v_cell(x, y + 1), draw.line(x, y + 15, x, y + CELL_mm))
        sheet.add(draw.box(x - 25, y + 0.8, 35, 14.4, "dashed"))
        name = "cell" if count == 1 else f"cell {number}"
        sheet.add(draw.text(x - 22, y + 9, name, "name"))
        if count == 1:
            sheet.add(draw.line(x - 14, y + 3, x - 14, y - 6, "thin"), draw.line(x - 14, y - 6, x - 15.5, y - 3, "thin"))
            sheet.add(draw.line(x - 14, y - 6, x - 12.5, y - 3, "thin"), draw.text(x - 25, y - 2, "vent"))
        if number > 1:
            sheet.tag(x - 9, y + CELL_mm, f"link:{number - 1}", 0)
    bottom = first + CELL_mm * count
    sheet.add(draw.line(x, bottom, x, sheet.bottom), draw.terminal(x, sheet.bottom - 3.5))
    sheet.add(draw.text(x - 3, sheet.bottom - 3, "clip", "", "end"))


def _tap_y(sheet: Sheet, number: int) -> float:
    """Return the height of tap k: between the cells; the ends a little outside of them."""
    count = max(1, len(sheet.channel.taps))
    first = TOP + (sheet.bottom - TOP - CELL_mm * count) / 2
    return first + CELL_mm * (count - number)


def _meters(sheet: Sheet, cell_x: float) -> None:
    """Draw taps with their meters, the meter across the whole, and the thermometers, to the right of the cells."""
    channel, count = sheet.channel, len(sheet.channel.taps)
    said = ohms(tap_ohm(sheet.bench))
    x = cell_x
    if count:
        x = cell_x + 62
        for number in range(count + 1):
            y = _tap_y(sheet, number)
            sheet.add(draw.dot(cell_x, y), draw.line(cell_x, y, cell_x + 17, y, "thin"), draw.h_resistor(cell_x + 17, y))
            sheet.add(draw.line(cell_x + 31, y, x, y, "thin"), draw.text(cell_x + 24, y - 3.2, said, "", "middle"))
            sheet.tag(cell_x + 11, y, f"tap:{number}", 0)
            sheet.tag(cell_x + 40, y, f"tap:{number}", 1)
            sheet.add(draw.text(cell_x + 47, y - 1.5, f"tap {number}", ""), draw.dot(x, y))
        for number, name in enumerate(channel.taps, 1):
            high, low = _tap_y(sheet, number), _tap_y(sheet, number - 1)
            middle = (high + low) / 2
            sheet.add(draw.line(x, high, x, low, "thin"), draw.meter(x, middle, "V"), draw.label(x + 7, middle + 1, 24, name))
            sheet.add(draw.text(x + 5, high + 4.5, "+", "sign"), draw.text(x + 5, low - 1.5, "−", "sign"))
        x += 22
    if channel.meter:
        x = _one_meter(sheet, cell_x, x, channel.meter, said)
    _thermometers(sheet, cell_x, max(x, cell_x + 18) + (36 if channel.meter else 20))


def _one_meter(sheet: Sheet, cell_x: float, left: float, name: str, said: str) -> float:
    """Draw the meter across cell or string, each lead with a clip of its own, the resistor at the positive one."""
    taps = bool(sheet.channel.taps)
    high, low = (TOP + 10, sheet.bottom - 10) if taps else (TOP + 16, sheet.bottom - 16)
    x = left + (22 if taps else 56)
    middle = (high + low) / 2
    sheet.add(
        draw.dot(cell_x, high), draw.dot(cell_x, low), draw.line(cell_x, low, x, low, "thin"), draw.line(x, high, x, low, "thin")
    )
    sheet.add(draw.line(cell_x, high, cell_x + 17, high, "thin"), draw.h_resistor(cell_x + 17, high))
    sheet.add(draw.line(cell_x + 31, high, x, high, "thin"), draw.text(cell_x + 24, high - 3.2, said, "", "middle"))
    sheet.tag(cell_x + 11, high, "meter+", 0)
    sheet.tag(cell_x + 42, high, "meter+", 1)
    sheet.tag(cell_x + 24, low, "meter-", 0)
    sheet.add(draw.meter(x, middle, "V"), draw.label(x + 7, middle + 1, 24, name))
    sheet.add(draw.text(x + 2, middle - 7, "+", "sign"), draw.text(x + 2, middle + 10, "−", "sign"))
    if not taps:
        sheet.add(draw.text(cell_x + 15, low + 6, "own clips at the cell", ""))
    return x


def _thermometers(sheet: Sheet, cell_x: float, x: float) -> None:
    """Draw the thermometer on the case of the (middle) cell, and the room's."""
    channel = sheet.channel
    count = max(1, len(channel.taps))
    on_case = _tap_y(sheet, (count + 1) // 2) + 8
    if channel.thermometer:
        left = cell_x - 25
        # Over the free space above the rail's height no wire runs: the sensor's cable is drawn in dots to the case.
        y = TOP - 10
        sheet.add(draw.line(left, on_case, left - 5, on_case, "dotted"), draw.line(left - 5, on_case, left - 5, y, "dotted"))
        sheet.add(draw.line(left - 5, y, x, y, "dotted"), draw.line(x, y, x, TOP + 12, "dotted"))
        sheet.add(draw.box(left - 1.6, on_case - 3, 3.2, 6, "full"))
        sheet.add(draw.meter(x, TOP + 17, "ϑ"), draw.label(x - 9, TOP + 27, 32, channel.thermometer, "on the case"))
        sheet.tag((left + x) / 2, y, "thermometer", 0)
    if channel.ambient:
        y = TOP + 62
        sheet.add(
            draw.meter(x, y, "ϑ"),
            draw.label(x - 9, y + 10, 32, channel.ambient, "in the room's air"),
        )
        sheet.add(draw.line(x, y - 5, x, y - 11, "dotted"))
        sheet.tag(x, y - 12, "ambient", 0)
    sheet.x = max(sheet.x, x + 26)


def _negative(sheet: Sheet, rail_to: float, cell_x: float) -> None:
    """Draw the negative lead, with shunt and its meter where there is one."""
    y = sheet.bottom
    if not sheet.channel.ammeter:
        sheet.add(draw.line(rail_to, y, cell_x, y))
        sheet.tag((rail_to + cell_x) / 2, y, "cell-", 0)
        return
    x = max(rail_to + 12, (rail_to + cell_x) / 2 - LENGTH / 2)
    name = sheet.channel.ammeter
    ohm = sheet.bench.instruments[name].shunt_ohm or 0.0
    sheet.shunt_x = x
    sheet.add(draw.line(rail_to, y, x, y), draw.h_resistor(x, y), draw.line(x + LENGTH, y, cell_x, y))
    sheet.tag((x + LENGTH + cell_x) / 2, y, "cell-", 0)
    sheet.tag((rail_to + x) / 2, y, "cell-", 1)
    sheet.add(draw.text(x + 7, y - 4, f"shunt {ohms(ohm)}", "name", "middle"))
    left, right, low = x + 1, x + LENGTH - 1, y + 19
    sheet.add(
        draw.dot(left, y), draw.dot(right, y), draw.line(left, y, left, low, "thin"), draw.line(right, y, right, low, "thin")
    )
    sheet.add(draw.line(left, low, right, low, "thin"), draw.meter((left + right) / 2, low, "mV"))
    sheet.tag(left, y + 10, "shunt-", 0)
    sheet.tag(right, y + 10, "shunt+", 0)
    sheet.add(draw.text(right + 2, low + 1.5, "+", "sign"), draw.text(left - 4, low + 1.5, "−", "sign"))
    sheet.add(draw.label(right + 7, low + 1.5, 50, f"{name}: current"))


def _frames(sheet: Sheet) -> None:
    """Say below the drawing what its signs mean."""
    y = sheet.bottom + _legend_mm(sheet)
    said = "Contacts are drawn without power. Rounded frames: wire numbers. Dashed: a cell's case. Dotted: a sensor's cable."
    metres = plume_mm(sheet.bench) / 1000
    far = f"Keep vents free. Nothing that can spark within {metres:.2f} m of a vent, and nothing at all above it."
    sheet.add(draw.text(6, y, said), draw.text(6, y + 5, far, "name"))
    rows = [("NEVER TOUCHED", one) for one in sheet.bench.never_touch] + [("STAYS ON", one) for one in sheet.bench.keep_on]
    left, drop = _frame_at(sheet)
    for number, (what, one) in enumerate(rows):
        top = sheet.bottom + 4 + drop + 17 * number
        sheet.add(draw.box(left, top, 90, 15, "frame"), draw.text(left + 3, top + 5, f"{what}: no wire goes here", "name"))
        sheet.add(draw.label(left + 3, top + 9.4, 84, one))


def _frame_at(sheet: Sheet) -> tuple[float, float]:
    """Return where frames of other outputs begin, and how far down: beside the shunt's meter, or below it for lack of room."""
    if sheet.shunt_x > 160:
        return 66.0, 0.0
    return 185.0, 28.0 if sheet.shunt_x > 125 else 0.0


def _legend_mm(sheet: Sheet) -> float:
    """Return how far below the negative rail the legend stands: below the shunt's meter and the frames of other outputs."""
    others = len(sheet.bench.never_touch + sheet.bench.keep_on)
    frames = 17.0 * others + 8 + _frame_at(sheet)[1] if others else 0.0
    return max(31.0 if sheet.channel.ammeter else 15.0, frames)
