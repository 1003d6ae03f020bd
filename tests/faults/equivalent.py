"""Mutants that change nothing anybody could see, each with the reason: by module, line as it stands, and change."""

from __future__ import annotations

ROWCHECK = "chargerd/journal/rowcheck.py"
_DIGITS = r'return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"'
_PRINTABLE = "every character from U+00FF to U+01FF, and U+10000, is printable and never comes here"

KEEPER = "chargerd/daemon/keeper.py"
SCPI = "chargerd/instruments/framing/scpi.py"

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
}  # fmt: skip
