"""Which method for these frames, and why, in plain words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

Row = dict[str, Any]

AS_GOOD = 0.98
"""Score from which on a method is as good as the best."""
_LEFT = 0.05
"""Share of a trail from which on a person sees it."""
_NOISY = 0.03
"""Share of the noise by which more is worth a sentence."""


def scored(rows: Sequence[Row]) -> list[Row]:
    """The rows with ``score``: the least error of all over a method's own, best first."""
    least = min(row["error"] for row in rows)
    ranked = [{**row, "score": least / row["error"]} for row in rows]
    return sorted(ranked, key=lambda row: -row["score"])


def advice(rows: Sequence[Row], frames: int, trails: int) -> Row:
    """``method``, ``reasons`` (sentences) and ``as_good`` (names), of scored rows, best first."""
    best = rows[0]
    as_good = [row["name"] for row in rows[1:] if row["score"] >= AS_GOOD]
    reasons = [_noise(best, frames)]
    if trails and best["trail_left"] is not None:
        reasons.append(_trails(best, trails))
    for name in ("mean", "median", "sigma-clip"):
        row = next((r for r in rows[1:] if r["name"] == name and r["score"] < AS_GOOD), None)
        if row:
            reasons.append(_against(row, best))
    if frames < 3:
        reasons.append("With two frames there is no way to tell which one is wrong.")
    return {"method": best["name"], "reasons": reasons, "as_good": as_good}


def _noise(row: Row, frames: int) -> str:
    if row["noise_gain"] is None:
        return (
            f"“{row['name']}” has the smallest overall error; there is too little sky to measure"
            " its noise."
        )
    return (
        f"“{row['name']}” has the smallest overall error: its noise is {row['noise_gain']:.1f} "
        f"times lower than in one frame, {100 * row['noise_share']:.0f} % of what {frames} frames "
        "can give."
    )


def _trails(row: Row, trails: int) -> str:
    what = "One trail" if trails == 1 else f"{trails} trails"
    left = row["trail_left"]
    rest = "nothing of it to see" if trails == 1 else "nothing of them to see"
    if abs(left) >= _LEFT:
        rest = f"{100 * left:.0f} % of what a plain mean keeps"
    return f"{what} crossed; it leaves {rest}."


def _against(row: Row, best: Row) -> str:
    """Why not a method that a person would ask for."""
    faults = []
    if row["trail_left"] is not None and row["trail_left"] - (best["trail_left"] or 0) > _LEFT:
        faults.append(f"keeps {100 * row['trail_left']:.0f} % of the trails")
    if row["noise_gain"] and best["noise_gain"]:
        more = best["noise_gain"] / row["noise_gain"] - 1
        if more > _NOISY:
            faults.append(f"has {100 * more:.0f} % more noise")
    told = " and ".join(faults) or "has a larger error on trails and stars"
    return f"“{row['name']}” {told}."
