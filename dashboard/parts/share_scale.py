"""Error and U of an inspection on one line with what is allowed: one glance says how much is used."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

WIDTH, LINE_Y, TEXT_X = 120, 12, 130


def has_share(thermal: Mapping[str, Any]) -> bool:
    """Whether a thermal error was worked out, and U with it."""
    return "nde_um" in thermal and thermal.get("U_um") is not None


def share_scale(thermal: Mapping[str, Any]) -> str:
    """The figure: error solid, U lined, the limit as a mark; without a tolerance only the words."""
    error, U = abs(float(thermal["nde_um"])), float(thermal["U_um"])
    tolerance, share = thermal.get("tolerance_um"), thermal.get("share_of_tolerance")
    sum_um = _short(error + U)
    words = f"{sum_um} µm"
    if not tolerance or share is None:
        return _svg([], words, words)
    allowed = float(thermal.get("share_allowed") or 1.0) * float(tolerance)
    scale = WIDTH / max(2 * allowed if thermal.get("share_allowed") else allowed, error + U)
    words = f"{sum_um} of {tolerance:g} µm, {_short(100 * share)} %"
    x, end, mark = error * scale, (error + U) * scale, allowed * scale
    parts = [
        f'<path class="scale-line" d="M0 {LINE_Y}H{WIDTH}"/>',
        f'<rect class="share-error" x="0" y="{LINE_Y - 8}" width="{max(x, 1):.1f}" height="8"/>',
        f'<rect class="share-U" x="{x:.1f}" y="{LINE_Y - 8}" width="{max(end - x, 1):.1f}" height="8"/>',
        f'<path class="scale-limit" d="M{min(mark, WIDTH - 1):.1f} {LINE_Y - 11}v15"/>',
    ]
    return _svg(parts, words, f"Thermal error {error:.2f} µm, U {U:.2f} µm: {words} of the tolerance")


def _svg(parts: list[str], words: str, label: str) -> str:
    left = TEXT_X if parts else 0
    return (
        f'<svg class="share" viewBox="0 0 300 20" role="img" aria-label="{label}">{"".join(parts)}'
        f'<text class="share-text" x="{left}" y="{LINE_Y + 2}">{words}</text></svg>'
    )


def _short(value: float) -> str:
    """Two significant digits or a little more, never with an exponent.

    >>> _short(0.041), _short(1.66), _short(14.2), _short(163.0)
    ('0.04', '1.7', '14', '163')
    """
    return f"{value:.{0 if value >= 10 else 1 if value >= 1 else 2}f}"
