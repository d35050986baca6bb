"""Printer points for gradeprep: a stage, a meter, a check and a hand-over."""

from __future__ import annotations

__all__: list[str] = []
