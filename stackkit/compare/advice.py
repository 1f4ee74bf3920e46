"""Which method for these frames, and why, in plain words."""

from __future__ import annotations

from collections.abc import Sequence

from stackkit.schemas.comparison import MethodRecord, RecommendationRecord

AS_GOOD = 0.98
"""Score above which a method is as good as the best."""
_LEFT = 0.05
"""Share of a trail above which it is visible."""
_NOISY = 0.03
"""Excess of noise, as a share, above which it is mentioned."""


def scored(rows: Sequence[MethodRecord], errors: Sequence[float]) -> list[MethodRecord]:
    """The rows with ``score``: the least error of all over the method's error, best first."""
    least = min(errors)
    order = sorted(range(len(rows)), key=lambda k: errors[k])
    return [{**rows[k], "score": least / errors[k]} for k in order]


def advice(rows: Sequence[MethodRecord], frames: int, trails: int) -> RecommendationRecord:
    """``method``, ``reasons`` (sentences) and ``as_good`` (names), of scored rows, best first."""
    best = rows[0]
    as_good = [row["name"] for row in rows[1:] if _is_as_good(row)]
    reasons = [_noise(best, frames)]
    if trails and best["trail_left"] is not None:
        reasons.append(_trails(best["trail_left"], trails))
    for name in ("mean", "median", "sigma-clip"):
        row = next((r for r in rows[1:] if r["name"] == name and not _is_as_good(r)), None)
        if row:
            reasons.append(_against(row, best))
    if frames < 3:
        reasons.append("With two frames there is no way to tell which one is wrong.")
    return {"method": best["name"], "reasons": reasons, "as_good": as_good}


def _is_as_good(row: MethodRecord) -> bool:
    return (row["score"] or 0.0) >= AS_GOOD


def _noise(row: MethodRecord, frames: int) -> str:
    if row["noise_gain"] is None or row["noise_share"] is None:
        return (
            f"“{row['name']}” has the smallest overall error; there is too little sky to measure"
            " its noise."
        )
    return (
        f"“{row['name']}” has the smallest overall error: its noise is {row['noise_gain']:.1f} "
        f"times lower than in one frame, {100 * row['noise_share']:.0f} % of what {frames} frames "
        "can give."
    )


def _trails(left: float, trails: int) -> str:
    what = "One trail" if trails == 1 else f"{trails} trails"
    rest = "nothing of it to see" if trails == 1 else "nothing of them to see"
    if abs(left) >= _LEFT:
        rest = f"{100 * left:.0f} % of what a plain mean keeps"
    return f"{what} crossed; it leaves {rest}."


def _against(row: MethodRecord, best: MethodRecord) -> str:
    """Why not a method that users would expect."""
    faults = []
    if row["trail_left"] is not None and row["trail_left"] - (best["trail_left"] or 0) > _LEFT:
        faults.append(f"keeps {100 * row['trail_left']:.0f} % of the trails")
    if row["noise_gain"] and best["noise_gain"]:
        more = best["noise_gain"] / row["noise_gain"] - 1
        if more > _NOISY:
            faults.append(f"has {100 * more:.0f} % more noise")
    fault = " and ".join(faults) or "has a larger error on trails and stars"
    return f"“{row['name']}” {fault}."
