"""Mutants that change nothing anybody could see, each with the reason: by module, line as it stands, and change."""

from __future__ import annotations

ROWCHECK = "chargerd/journal/rowcheck.py"
_DIGITS = r'return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"'
_PRINTABLE = "every character from U+00FF to U+01FF, and U+10000, is printable and never comes here"

OFF = "chargerd/daemon/off.py"
KEEPER = "chargerd/daemon/keeper.py"
SCPI = "chargerd/instruments/framing/scpi.py"

_INSTANT = "one instant of a clock that counts nanoseconds"
_MIDDLE = "no decimal number of so few digits lies exactly in the middle of two special values"

EQUIVALENT: dict[tuple[str, str, str], str] = {
    **{
        (ROWCHECK, _DIGITS, change): _PRINTABLE
        for change in (
            "code < 0x100 → code <= 256", "0x100 → 257", "0x100 → 255", "0x100 → 512", "code < 0x10000 → code <= 65536", "0x10000 → 65537",
        )
    },
    ("chargerd/core/detect/currents.py", "apart_A = most_A = 0.0", "0.0 → 1.0"): "both are the same number, and one is not above the other",
    (KEEPER, "os.read(self._wake, 4096)", "4096 → 4097"): "so many signals never wait",
    (KEEPER, "os.read(self._wake, 4096)", "4096 → 4095"): "so many signals never wait",
    (KEEPER, "os.read(self._wake, 4096)", "4096 → 8192"): "so many signals never wait",
    (KEEPER, 'os.write(self._acks, json.dumps({"type": "stop", "by": self._stops[0]}).encode() + b"\\n")', "0 → (-1)"):
        "there is exactly one: with two the keeper acts",
    (KEEPER, "while (fd := os.open(os.devnull, os.O_RDWR)) <= 2:", "2 → 3"): "one descriptor more is kept open",
    (KEEPER, "self._sleep([self._wake], until_s)", "self._sleep([self._wake], until_s) → pass"): "it waits for the same second without sleeping",
    (SCPI, "if size < _INFINITY * (1.0 - _SPECIAL_TOLERANCE / 2):",
     "size < _INFINITY * (1.0 - _SPECIAL_TOLERANCE / 2) → size <= _INFINITY * (1.0 - _SPECIAL_TOLERANCE / 2)"): _MIDDLE,
    (SCPI, "if abs(size - _NOT_A_NUMBER) < _NOT_A_NUMBER * _SPECIAL_TOLERANCE / 2:",
     "abs(size - _NOT_A_NUMBER) < _NOT_A_NUMBER * _SPECIAL_TOLERANCE / 2 → abs(size - _NOT_A_NUMBER) <= _NOT_A_NUMBER * _SPECIAL_TOLERANCE / 2"): _MIDDLE,
    (OFF, 'name, address, end = (_texts(entry[key])[0] for key in ("name", "address", "end"))', "0 → (-1)"): "there is one text",
    (OFF, 'verify.append({**question, "send": _texts(question["ask"])[0] + end, **line})', "0 → (-1)"): "there is one text",
    (OFF, 'identity = {"send": _texts(entry["identity_query"])[0] + end, "accept": entry["identity"], **line}', "0 → (-1)"): "there is one text",
    (OFF, "if not reply or wire.boot_s() + wire.PAUSE_S > min(settled_s, until_s):",
     "wire.boot_s() + wire.PAUSE_S > min(settled_s, until_s) → wire.boot_s() + wire.PAUSE_S >= min(settled_s, until_s)"): _INSTANT,
    (OFF, "while alive and (left_s := until_s - wire.boot_s()) > 0:",
     "(left_s := until_s - wire.boot_s()) > 0 → (left_s := (until_s - wire.boot_s())) >= 0"): _INSTANT,
    (OFF, '(folder / "off-result.json").write_text(json.dumps(content, indent=1) + "\\n", encoding="ascii")', "1 → 2"): "how far a file is indented",
    (OFF, "for thread in (threads := [threading.Thread(target=run_plan, args=(plan, lines), daemon=True) for plan in plans]):", "True → False"):
        "they are waited for at once",
}  # fmt: skip
