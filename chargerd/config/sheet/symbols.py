"""Circuit symbols in SVG after the style of IEC 60617 (from memory), black on white. Coordinates in mm.

Symbols stand on a wire that they interrupt: `v_…` on a vertical one from `y` down over `LENGTH`, `h_…` on a horizontal one from
`x` to the right.
"""

from __future__ import annotations

from html import escape

LENGTH = 14.0
CHARACTER_mm = 2.05
"""Mean width of a character of the page's text (3.7 mm, page.py), for folding names."""


def line(x1: float, y1: float, x2: float, y2: float, style: str = "") -> str:
    """Return a wire, or with `style` a thinner or dashed line (a class of the page's style sheet)."""
    return f'<line x1="{x1:g}" y1="{y1:g}" x2="{x2:g}" y2="{y2:g}"{_class(style)}/>'


def _class(style: str) -> str:
    return f' class="{style}"' if style else ""


def text(x: float, y: float, said: str, style: str = "", anchor: str = "start") -> str:
    """Return one line of text, its foot at y."""
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}"{_class(style)}>{escape(said)}</text>'


def fold(said: str, width_mm: float) -> list[str]:
    """Fold a text at blanks, and long names after their hyphens, to lines of that width."""
    most = max(4, int(width_mm / CHARACTER_mm))
    lines = [""]
    for word in said.replace("-", "-\u200b").replace(" ", " \u200b").split("\u200b"):
        if lines[-1] and len((lines[-1] + word).rstrip()) > most:
            lines.append("")
        lines[-1] += word
        while len(lines[-1].rstrip()) > most:
            lines[-1:] = [lines[-1][:most], lines[-1][most:]]
    return [one.rstrip() for one in lines]


def label(x: float, y: float, width_mm: float, *said: str) -> str:
    """Return texts one under the other, each folded, the first one's foot at y."""
    lines = [one for part in said if part for one in fold(part, width_mm)]
    return "".join(text(x, y + 4.2 * number, one) for number, one in enumerate(lines))


def dot(x: float, y: float) -> str:
    """Return a joint: these wires are connected."""
    return f'<circle cx="{x:g}" cy="{y:g}" r="1.1" class="full"/>'


def terminal(x: float, y: float) -> str:
    """Return a terminal or clip."""
    return f'<circle cx="{x:g}" cy="{y:g}" r="1.3"/>'


def number(x: float, y: float, wire: int) -> str:
    """Return a wire's number on its wire."""
    half = 2.0 + 1.1 * len(str(wire))
    return f'<rect x="{x - half:g}" y="{y - 2.4:g}" width="{2 * half:g}" height="4.8" rx="2.4" class="tag"/>' + text(
        x, y + 1.3, str(wire), "tag-text", "middle"
    )


def v_resistor(x: float, y: float) -> str:
    """Return a resistor."""
    return line(x, y, x, y + 2) + _rect(x - 2, y + 2, 4, LENGTH - 4) + line(x, y + LENGTH - 2, x, y + LENGTH)


def h_resistor(x: float, y: float) -> str:
    """Return a resistor."""
    return line(x, y, x + 2, y) + _rect(x + 2, y - 2, LENGTH - 4, 4) + line(x + LENGTH - 2, y, x + LENGTH, y)


def h_fuse(x: float, y: float) -> str:
    """Return a fuse: a resistor with the wire going through."""
    return h_resistor(x, y) + line(x, y, x + LENGTH, y)


def _rect(x: float, y: float, width: float, height: float, style: str = "") -> str:
    return f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}"{_class(style)}/>'


def box(x: float, y: float, width: float, height: float, style: str = "") -> str:
    """Return a frame."""
    return _rect(x, y, width, height, style)


def v_contact(x: float, y: float, *, normally_open: bool = True) -> str:
    """Return a relay's contact, drawn without power."""
    low = y + LENGTH
    blade = (
        line(x, low - 4, x - 4.5, y + 3.2)
        if normally_open
        else line(x, low - 4, x + 2.2, y + 2.5) + line(x, y + 4, x + 2.6, y + 4)
    )
    return line(x, y, x, y + 4) + blade + line(x, low - 4, x, low)


def h_contact(x: float, y: float, *, normally_open: bool = True) -> str:
    """Return a relay's contact, drawn without power."""
    end = x + LENGTH
    blade = (
        line(x + 4, y, end - 3.2, y - 4.5)
        if normally_open
        else line(x + 4, y, end - 2.5, y + 2.2) + line(end - 4, y, end - 4, y + 2.6)
    )
    return line(x, y, x + 4, y) + blade + line(end - 4, y, end, y)


def v_cell(x: float, y: float) -> str:
    """Return a cell, its positive terminal (the long plate) above."""
    middle = y + LENGTH / 2
    return (
        line(x, y, x, middle - 1.2) + line(x - 6, middle - 1.2, x + 6, middle - 1.2)
        + line(x - 3, middle + 1.2, x + 3, middle + 1.2, "thick") + line(x, middle + 1.2, x, y + LENGTH)
        + text(x + 3.5, y + 4.2, "+", "sign") + text(x + 3.5, y + LENGTH - 1, "−", "sign")
    )  # fmt: skip


def meter(x: float, y: float, said: str) -> str:
    """Return a measuring instrument around (x, y)."""
    return f'<circle cx="{x:g}" cy="{y:g}" r="5" class="white"/>' + text(x, y + 1.5, said, "sign", "middle")


def coil(x: float, y: float) -> str:
    """Return a relay's coil on a vertical wire."""
    return line(x, y, x, y + 3.5) + _rect(x - 6, y + 3.5, 12, LENGTH - 7) + line(x, y + LENGTH - 3.5, x, y + LENGTH)


def v_diode(x: float, y: float, *, up: bool) -> str:
    """Return a diode on a vertical wire; current flows up or down."""
    middle = y + LENGTH / 2
    tip, foot = (middle - 2, middle + 2) if up else (middle + 2, middle - 2)
    return (
        line(x, y, x, y + LENGTH) + f'<path d="M{x - 2.4:g} {foot:g} L{x + 2.4:g} {foot:g} L{x:g} {tip:g} Z" class="white"/>'
        + line(x - 2.4, tip, x + 2.4, tip)
    )  # fmt: skip


def h_diode(x: float, y: float) -> str:
    """Return a diode on a horizontal wire; current flows to the right."""
    middle = x + LENGTH / 2
    return (
        line(x, y, x + LENGTH, y)
        + f'<path d="M{middle - 2:g} {y - 2.4:g} L{middle - 2:g} {y + 2.4:g} '
        + f'L{middle + 2:g} {y:g} Z" class="white"/>'
        + line(middle + 2, y - 2.4, middle + 2, y + 2.4)
    )  # fmt: skip


def v_capacitor(x: float, y: float) -> str:
    """Return a capacitor on a vertical wire."""
    middle = y + LENGTH / 2
    return (
        line(x, y, x, middle - 1) + line(x - 4, middle - 1, x + 4, middle - 1)
        + line(x - 4, middle + 1, x + 4, middle + 1) + line(x, middle + 1, x, y + LENGTH)
    )  # fmt: skip


def h_capacitor(x: float, y: float) -> str:
    """Return a capacitor on a horizontal wire."""
    middle = x + LENGTH / 2
    return (
        line(x, y, middle - 1, y) + line(middle - 1, y - 4, middle - 1, y + 4)
        + line(middle + 1, y - 4, middle + 1, y + 4) + line(middle + 1, y, x + LENGTH, y)
    )  # fmt: skip


def buzzer(x: float, y: float) -> str:
    """Return a buzzer on a horizontal wire."""
    return (
        line(x, y, x + 3, y) + f'<path d="M{x + 3:g} {y:g} A4 4 0 0 1 {x + 11:g} {y:g} Z" class="white"/>'
        + line(x + 11, y, x + LENGTH, y)
    )  # fmt: skip


def transistor(x: float, y: float) -> str:
    """Return an n-channel field-effect transistor: drain above at (x, y), gate to the left, source below at (x, y + LENGTH)."""
    middle = y + LENGTH / 2
    return (
        line(x, y, x, middle - 3) + line(x, middle - 3, x - 3.5, middle - 3) + line(x - 3.5, middle - 4.5, x - 3.5, middle + 4.5)
        + line(x - 3.5, middle + 3, x, middle + 3) + line(x, middle + 3, x, y + LENGTH)
        + line(x - 5.5, middle - 4.5, x - 5.5, middle + 4.5) + line(x - 11, middle, x - 5.5, middle)
    )  # fmt: skip
