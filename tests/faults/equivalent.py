"""Mutants that change nothing anybody could see, each with the reason: by module, line as it stands, and change."""

from __future__ import annotations

EQUIVALENT: dict[tuple[str, str, str], str] = {}
