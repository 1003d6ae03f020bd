"""The dead-man relay drawn: stage, coil, contacts in the leads, buzzer on the normally closed contact."""

from __future__ import annotations

from collections.abc import Sequence

from chargerd.config.sheet import symbols as draw

LENGTH = draw.LENGTH


def dead_man_svg(cuts: Sequence[str]) -> str:
    """Return the drawing, with one contact for each lead that is cut."""
    shapes = [*_stage(), *_coil(), *_contacts(cuts)]
    height = max(128.0, 24.0 + 20.0 * (len(cuts) + 1))
    return f'<svg viewBox="0 0 277 {height:g}" role="img" aria-label="dead-man relay" xmlns="http://www.w3.org/2000/svg">{"".join(shapes)}</svg>'


def _stage() -> list[str]:
    """From the pin to the transistor's gate: only changes pass Cp, and R empties Ch when none come."""
    y, ground = 52.0, 100.0
    return [
        draw.text(4, y - 13, "computer's pin,"),
        draw.text(4, y - 8.6, "toggled every 0.5 s"),
        draw.terminal(8, y),
        draw.line(9.3, y, 26, y),
        draw.dot(18, y),
        draw.line(18, y, 18, y + 16),
        draw.v_resistor(18, y + 16),
        draw.text(21.5, y + 25, "10 k"),
        draw.line(18, y + 30, 18, ground),
        f'<path d="M26 {y - 6:g} L26 {y + 6:g} L37 {y:g} Z" class="white"/>',
        draw.text(24, y + 11, "buffer, 5 V"),
        draw.h_resistor(37, y),
        draw.text(44, y - 4, "Rs", "name", "middle"),
        draw.h_capacitor(51, y),
        draw.text(58, y - 6, "Cp", "name", "middle"),
        draw.line(65, y, 72, y),
        draw.dot(70, y),
        draw.line(70, y, 70, y + 16),
        draw.v_diode(70, y + 16, up=True),
        draw.text(74, y + 25, "D1", "name"),
        draw.line(70, y + 30, 70, ground),
        draw.h_diode(72, y),
        draw.text(79, y - 5, "D2", "name", "middle"),
        draw.line(86, y, 112, y),
        draw.dot(90, y),
        draw.line(90, y, 90, y + 16),
        draw.v_capacitor(90, y + 16),
        draw.text(95.5, y + 24.5, "Ch", "name"),
        draw.line(90, y + 30, 90, ground),
        draw.dot(106, y),
        draw.line(106, y, 106, y + 16),
        draw.v_resistor(106, y + 16),
        draw.text(110, y + 25, "R", "name"),
        draw.line(106, y + 30, 106, ground),
        draw.h_resistor(112, y),
        draw.text(119, y - 4, "1 k", "", "middle"),
        draw.line(4, ground, 140, ground),
        draw.text(4, ground + 6, "ground of computer and coil supply (−)"),
        *(draw.dot(x, ground) for x in (18, 70, 90, 106)),
    ]


def _coil() -> list[str]:
    """The coil with its diode, the transistor below, the emergency stop above."""
    x, y = 140.0, 6.0
    return [
        draw.terminal(x, y - 2),
        draw.text(x + 4, y, "coil supply +"),
        draw.line(x, y - 0.7, x, y + 3),
        draw.v_contact(x, y + 3, normally_open=False),
        draw.text(x + 6, y + 9, "emergency stop", "name"),
        draw.text(x + 6, y + 13.4, "normally closed"),
        draw.line(x, y + 17, x, y + 22),
        draw.dot(x, y + 22),
        draw.coil(x, y + 22),
        draw.text(x - 8, y + 30.5, "KD", "name", "end"),
        draw.dot(x, y + 36),
        draw.line(x, y + 22, x + 14, y + 22),
        draw.v_diode(x + 14, y + 22, up=True),
        draw.line(x, y + 36, x + 14, y + 36),
        draw.text(x + 18, y + 30.5, "D3", "name"),
        draw.line(x, y + 36, x, 45),
        draw.transistor(x, 45),
        draw.text(x + 3, 53.5, "T1", "name"),
        draw.line(126, 52, 129, 52),
        draw.line(x, 59, x, 100),
        draw.dot(x, 100),
    ]


def _contacts(cuts: Sequence[str]) -> list[str]:
    """The contacts: one normally open for each lead, and the buzzer's normally closed one."""
    left, y = 182.0, 18.0
    shapes = [draw.text(left, 8, "Contacts of KD, drawn without power", "name")]
    for number, name in enumerate(cuts, 1):
        shapes += [
            draw.text(left, y - 4, f"{name} +"),
            draw.terminal(left, y),
            draw.line(left + 1.3, y, left + 26, y),
            draw.h_contact(left + 26, y),
            draw.text(left + 33, y + 6, f"KD {number}", "name", "middle"),
            draw.line(left + 40, y, left + 60, y),
            draw.terminal(left + 61.3, y),
            draw.text(left + 65, y + 1.3, "+ rail"),
        ]
        y += 20
    shapes += [
        draw.text(left, y - 4, "buzzer's battery +"),
        draw.terminal(left, y),
        draw.line(left + 1.3, y, left + 26, y),
        draw.h_contact(left + 26, y, normally_open=False),
        draw.text(left + 33, y + 8, "KD, normally closed", "name", "middle"),
        draw.line(left + 40, y, left + 48, y),
        draw.buzzer(left + 48, y),
        draw.line(left + 62, y, left + 70, y),
        draw.terminal(left + 71.3, y),
        draw.text(left + 75, y + 1.3, "battery −"),
        draw.text(left + 55, y - 6, "buzzer", "", "middle"),
    ]
    return shapes
