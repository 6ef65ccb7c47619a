"""What trying made-up defects gave, as plain data for files."""

from __future__ import annotations

from typing import Any

from engine.study.detection import PodFit
from engine.study.stress_results import Curve, Stress, Trial

_SIZES = ("a50", "a90", "a90_95", "floor", "ceiling")


def stress_json(stress: Stress) -> dict[str, Any]:
    """Give everything but the pictures; equal runs give equal data."""
    return {
        "format": 1,
        "product": stress.product,
        "recipe": stress.recipe,
        "seed": stress.seed,
        "per_defect": stress.per_defect,
        "cartons": list(stress.cartons),
        "left_out": {f"{t:06d}": why for t, why in stress.left_out.items()},
        "cameras": {
            name: {"blur_px": _short(look.blur_px), "grey": [_short(g) for g in look.grey],
                   "noise": [_short(n) for n in look.noise]}
            for name, look in stress.looks.items()
        },
        "defects": [_curve(curve) for curve in stress.curves],
        "disturbances": [
            {"camera": d.camera, "disturbance": d.disturbance.name, "unit": d.disturbance.unit,
             "sizes": d.sizes, "failed": d.failed, "tried": d.tried, "holds_to": d.holds_to,
             "fails_from": d.fails_from, "first_reason": d.first_reason}
            for d in stress.disturbed
        ],
        "frames_lost": [
            {"camera": loss.camera, "kind": loss.kind, "verdict": loss.verdict,
             "reason": loss.reason}
            for loss in stress.losses
        ],
        "limits": [
            {"limit": limit.key, "reason": limit.reason,
             "broken_by": [
                 {"defect": t.curve.defect.name, "at": t.curve.place,
                  "smallest": _short(t.smallest), "unit": t.curve.defect.unit}
                 for t in stress.trips(limit)
             ]}
            for limit in stress.limits
        ],
        "nothing_tests": [limit.key for limit in stress.untested],
    }  # fmt: skip


def _curve(curve: Curve) -> dict[str, Any]:
    return {
        "camera": curve.camera,
        "step": curve.step,
        "defect": curve.defect.name,
        "unit": curve.defect.unit,
        "not_made": curve.why_none or None,
        "right_reason": _fit(curve.right_fit),
        "any_reason": _fit(curve.any_fit),
        "trials": [_trial(trial) for trial in curve.trials],
    }


def _fit(fit: PodFit | None) -> dict[str, Any] | None:
    if fit is None:
        return None
    sizes = {name: _short(getattr(fit, name)) for name in _SIZES}
    between = None if fit.between is None else [_short(size) for size in fit.between]
    return {"kind": fit.kind, **sizes, "between": between, "hits": fit.hits,
            "targets": fit.targets, "false_calls": list(fit.false_calls),
            "notes": list(fit.notes)}  # fmt: skip


def _trial(trial: Trial) -> dict[str, Any]:
    return {"trigger": f"{trial.trigger:06d}", "size": _short(trial.size), "hit": trial.hit,
            "right": trial.right, "broken": list(trial.broken), "reason": trial.reason}  # fmt: skip


def _short(number: float | None) -> float | None:
    return None if number is None else float(f"{number:.6g}")
