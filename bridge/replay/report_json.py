"""A comparison for programs."""

import json
from typing import Any

from bridge.quantities import LIMITS
from bridge.replay.compare import Comparison, Side
from bridge.replay.pairs import FramePair
from bridge.replay.phrases import because, id_of, interval_line, verdict_of
from bridge.replay.replay import Mark, Sample
from bridge.replay.timeline import Difference, Extreme, Interval


def as_json(result: Comparison) -> str:
    """The whole comparison as a JSON text; times in seconds since the start, A, V."""
    verdict = result.verdict
    tree: dict[str, Any] = {
        "capture": str(result.capture),
        "start_us": result.start_us,
        "seconds": (result.end_us - result.start_us) / 1e6,
        "received": result.received,
        "taken": result.taken,
        "identical": result.identical,
        "looser": result.looser,
        "verdict": verdict_of(result)[1],
        "verified": None
        if verdict is None
        else {"frames": verdict.checked, "mismatches": len(verdict.mismatches), "other": verdict.other},
        "warnings": result.warnings,
        "old": None if result.old is None else _side_json(result.old),
        "new": _side_json(result.new),
        "limits": {name: _difference_json(result, row) for name, row in result.limits.items()},
        "intervals": [_interval_json(result, interval) for interval in result.intervals],
        "frames": [_pair_json(result, pair) for pair in result.frames],
    }
    return json.dumps(tree, indent=2, allow_nan=False)


def _side_json(side: Side) -> dict[str, Any]:
    return {
        "label": side.label,
        "limits": {
            name: {
                "lowest": row.low,
                "mean": row.mean,
                "highest": row.high,
                "bound_by_s": {because(*why): us / 1e6 for why, us in row.reasons_us.items()},
            }
            for name, row in side.limits.items()
        },
        "states_s": {state.name.lower(): us / 1e6 for state, us in side.states_us.items()},
        "frames": {"sent": side.sent, "unsent": side.unsent, **side.notes},
    }


def _difference_json(result: Comparison, row: Difference) -> dict[str, Any]:
    def extreme(one: Extreme) -> dict[str, float] | None:
        return {"by": one.by, "at_s": (one.t_us - result.start_us) / 1e6} if one.by else None

    return {
        "tighter_s": row.tighter_us / 1e6,
        "equal_s": row.equal_us / 1e6,
        "looser_s": row.looser_us / 1e6,
        "most_tighter": extreme(row.most_tighter),
        "most_looser": extreme(row.most_looser),
    }


def _interval_json(result: Comparison, interval: Interval) -> dict[str, Any]:
    def sample(one: Sample) -> dict[str, Any]:
        mark = one.marks[LIMITS.index(interval.limit)] if interval.limit else Mark(None, None, "")
        return {
            "state": None if one.state is None else one.state.name.lower(),
            "value": mark.value,
            "reason": None if mark.reason is None else because(mark.reason, mark.bank),
        }

    return {
        "start_s": (interval.start_us - result.start_us) / 1e6,
        "end_s": (interval.end_us - result.start_us) / 1e6,
        "limit": interval.limit or None,
        "looser": interval.looser,
        "most": interval.most if interval.limit else None,
        "old": sample(interval.old),
        "new": sample(interval.new),
        "words": interval_line(result, interval),
    }


def _pair_json(result: Comparison, pair: FramePair) -> dict[str, Any]:
    at = pair.new or pair.old
    return {
        "at_s": (pair.t_us - result.start_us) / 1e6,
        "id": id_of(str(at.frame)) if at else None,
        "bus": at.frame.bus if at else None,
        "old": pair.old.frame.data.hex() if pair.old else None,
        "new": pair.new.frame.data.hex() if pair.new else None,
        "changes": {change.signal: [change.old, change.new] for change in pair.changes},
    }
