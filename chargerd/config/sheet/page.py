"""The wiring sheet as one self-contained HTML page with SVG drawings: black on white, for A4. Asks nothing of any network."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from chargerd.config.bench import BenchFile
from chargerd.config.sheet.advice import BEFORE_POWER, CAUTIONS, leads, placement, wire_advice
from chargerd.config.sheet.circuit import Circuit, circuits_of
from chargerd.config.sheet.dead_man import GATE_V, PROOF, PURPOSE, RULES, drop_out_s, example_lines, own_lines
from chargerd.config.sheet.dead_man_drawing import dead_man_svg
from chargerd.config.sheet.drawing import channel_svg
from chargerd.config.sheet.lists import instrument_rows, is_invented, outputs, title, warnings
from chargerd.config.sheet.parts import parts

MARK = "<!-- wiring sheet made by chargerd: made anew from the bench file, edit that -->"
"""Second line of every sheet: tells a sheet, which may be made anew, from a file of a person's."""

STYLE = """
@page { size: A4 landscape; margin: 10mm; }
body { font: 11pt/1.35 "DejaVu Sans", Arial, sans-serif; color: #000;
  background: #fff; max-width: 277mm; margin: 0 auto; padding: 4mm; }
h1 { font-size: 17pt; margin: 0 0 2mm; } h2 { font-size: 14pt; margin: 6mm 0 2mm; }
section.sheet { break-before: page; } table, .keep { break-inside: auto; }
table { border-collapse: collapse; width: 100%; font-size: 10.5pt; } tr { break-inside: avoid; }
th, td { border: 0.3mm solid #000; padding: 0.8mm 2mm; text-align: left; vertical-align: top; }
td { overflow-wrap: break-word; }
th { white-space: nowrap; } td.lead { white-space: nowrap; }
td.number { text-align: right; font-weight: bold; white-space: nowrap; } td.tick { width: 9mm; }
.invented { border: 1mm solid #000; padding: 2mm 3mm; font-weight: bold; font-size: 13pt; }
.caution { border: 0.6mm solid #000; padding: 2mm 3mm; } .caution li { margin: 0.8mm 0; }
svg { width: 100%; height: auto; max-height: 172mm; display: block; }
svg line, svg path, svg circle, svg rect { stroke: #000; stroke-width: 0.6; fill: none; stroke-linecap: round; }
svg .thin { stroke-width: 0.35; } svg .thick { stroke-width: 1.5; } svg .frame { stroke-width: 1; }
svg .dashed { stroke-width: 0.35; stroke-dasharray: 2 1.4; }
svg .dotted { stroke-width: 0.5; stroke-dasharray: 0.1 1.5; } svg .full { fill: #000; } svg .white { fill: #fff; }
svg text { font: 3.7px "DejaVu Sans", Arial, sans-serif; fill: #000; } svg .name { font-weight: bold; }
svg .sign { font-size: 4.4px; font-weight: bold; } svg .tag { fill: #fff; stroke-width: 0.3; }
svg .tag-text { font-size: 3.5px; font-weight: bold; }
pre { font: 10pt/1.3 "DejaVu Sans Mono", monospace; }
"""


def html_sheet(bench: BenchFile) -> str:
    """Return the whole page."""
    circuits = circuits_of(bench)
    body = [_front(bench), *(_channel(circuit) for circuit in circuits), _lists(bench)]
    if bench.dead_man is not None:
        body.append(_dead_man(bench))
    return _page(title(bench), "".join(body))


def html_dead_man(bench: BenchFile | None) -> str:
    """Return a page with the dead-man relay alone."""
    return _page("The dead-man relay", _dead_man(bench))


def _page(heading: str, body: str) -> str:
    return (
        f'<!doctype html>\n{MARK}\n<html lang="en"><head><meta charset="utf-8"><title>{escape(heading)}</title>'
        f"<style>{STYLE}</style></head><body>{body}</body></html>\n"
    )


def _list(rows: Iterable[str], kind: str = "ul") -> str:
    return f"<{kind}>" + "".join(f"<li>{escape(row)}</li>" for row in rows) + f"</{kind}>"


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]], *, ticks: bool = False) -> str:
    head = "".join(f"<th>{escape(one)}</th>" for one in heads) + ("<th>done</th>" if ticks else "")
    lines = []
    for row in rows:
        first = ' class="number"' if row[0].isdigit() else ""
        cells = f"<td{first}>{escape(row[0])}</td>" + "".join(f"<td>{escape(one)}</td>" for one in row[1:])
        lines.append(f"<tr>{cells}{'<td class=tick></td>' if ticks else ''}</tr>")
    return f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(lines)}</tbody></table>"


def _front(bench: BenchFile) -> str:
    invented = '<p class="invented">INVENTED: the file says that this bench does not exist.</p>' if is_invented(bench) else ""
    about = f"<p>{escape(bench.about)}</p>" if bench.about else ""
    return (
        f"<h1>{escape(title(bench))}</h1>{invented}{about}"
        f'<div class="caution"><b>Read this first</b>{_list(CAUTIONS)}</div>'
        f"<h2>Warnings for this wiring</h2>{_list(warnings(bench))}"
        f"<h2>Outputs that stay on, outputs never touched</h2>{_list(outputs(bench))}"
    )


def _channel(circuit: Circuit) -> str:
    channel = circuit.channel
    count, section = len(channel.taps), leads(circuit.bench).cross_section_mm2
    what = "one cell" if count < 2 else f"a string of {count} cells, cell 1 at the negative end"
    rows = [
        (
            str(wire.number),
            wire.start,
            wire.end,
            wire.kind if wire.kind != "power" else f"power {section:g} mm²",
            wire.note,
        )
        for wire in circuit.wires()
    ]
    return (
        f'<section class="sheet"><h1>Channel {escape(channel.name)}: {what}</h1>{channel_svg(circuit)}</section>'
        f'<section class="sheet"><h1>Channel {escape(channel.name)}: its wires</h1>'
        f"{_table(('wire', 'from', 'to', 'lead', 'remark'), rows, ticks=True)}</section>"
    )


def _lists(bench: BenchFile) -> str:
    found = [(str(part.count), part.what, part.rating, part.remark) for part in parts(bench)]
    return (
        '<section class="sheet"><h1>Parts and instruments</h1>'
        f"{_table(('number', 'part', 'at least', 'remark'), found, ticks=True)}"
        f"<h2>Instruments</h2>{_table(('name', 'does', 'address', 'output, input', 'terminals'), instrument_rows(bench))}"
        f'</section><section class="sheet"><h1>Wire, place, air</h1><h2>Wire</h2>{_list(wire_advice(bench))}'
        f"<h2>Place and air</h2>{_list(placement(bench))}<h2>Before power</h2>{_list(BEFORE_POWER, 'ol')}</section>"
    )


def _dead_man(bench: BenchFile | None) -> str:
    slowest_s, fastest_s = drop_out_s(GATE_V[0]), drop_out_s(GATE_V[1])
    own = "" if bench is None else f"<pre>{escape(chr(10).join(own_lines(bench)))}</pre>"
    cuts = ("the source", "the load") if bench is None or bench.dead_man is None else bench.dead_man.cuts
    return (
        f'<section class="sheet"><h1>The dead-man relay</h1><p>{escape(PURPOSE)}</p>{own}{dead_man_svg(cuts)}</section>'
        f'<section class="sheet"><h1>The dead-man relay: rules, example, proof</h1>{_list(RULES, "ol")}'
        f"<h2>Example (computed, not yet built by anyone: measure yours)</h2>{_list(example_lines(fastest_s, slowest_s))}"
        f"<h2>Prove it, and again every month</h2>{_list(PROOF, 'ol')}</section>"
    )
