"""Mutants that change nothing anybody could see, each with the reason: by module, line as it stands, and change."""

from __future__ import annotations

ROWCHECK = "chargerd/journal/rowcheck.py"
_DIGITS = r'return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"'
_PRINTABLE = "every character from U+00FF to U+01FF, and U+10000, is printable and never comes here"

EQUIVALENT: dict[tuple[str, str, str], str] = {
    **{
        (ROWCHECK, _DIGITS, change): _PRINTABLE
        for change in (
            "code < 0x100 → code <= 256", "0x100 → 257", "0x100 → 255", "0x100 → 512", "code < 0x10000 → code <= 65536", "0x10000 → 65537",
        )
    },
}  # fmt: skip
