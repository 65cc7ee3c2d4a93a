"""A comparison in words: what both reports, for people and for programs, say alike."""

from bridge.core.plan.reasons import Reason
from bridge.quantities import LIMITS
from bridge.replay.compare import Comparison
from bridge.replay.replay import Mark
from bridge.replay.timeline import Interval
from bridge.words import amount


def verdict_of(result: Comparison) -> tuple[str, str]:
    """The word and the sentence that sum a comparison up."""
    verdict, old, new = result.verdict, result.old, result.new
    if verdict is not None and verdict.identical:
        return "IDENTICAL", _identical(verdict.checked)
    if verdict is not None and verdict.mismatches:
        first = verdict.mismatches[0]
        at = first.recorded or first.replayed
        when = clock(at.t_us - result.start_us) if at is not None else ""
        count = f"{len(verdict.mismatches)} of {verdict.checked} recorded frames"
        return "NOT EXACT", f"{count} did not come back bit for bit, the first at {when}"
    if old is None:
        return "ONE RUN", f"what {new.label} makes of it; there is nothing to compare with"
    if result.identical:
        return "IDENTICAL", _identical(new.sent)
    if result.looser:
        names = [plain(name) for name, row in result.limits.items() if row.looser_us]
        text = f"{new.label} allows MORE than {old.label} at times: {', '.join(names)}"
        return "LOOSER", text
    if any(row.tighter_us for row in result.limits.values()):
        return "TIGHTER", f"{new.label} never allows more than {old.label}, and less at times"
    return "EQUAL", f"{new.label} allows just what {old.label} does; some frames differ otherwise"


def _identical(count: int) -> str:
    return f"identical: {count} {'frame' if count == 1 else 'frames'}, bit for bit"


def interval_line(result: Comparison, interval: Interval) -> str:
    """An interval in words: when, for how long, what, and why."""
    start, end = (clock(t_us - result.start_us) for t_us in (interval.start_us, interval.end_us))
    when = f"{start} to {end} ({lasted(interval.end_us - interval.start_us)})"
    old, new = interval.old, interval.new
    if not interval.limit:
        states = [sample.state.name.lower() if sample.state is not None else "–" for sample in (new, old)]
        cause = new.cause or old.cause
        text = f"{when}: state {states[0]}, was {states[1]}"
        return f"{text}: {cause}" if cause else text
    at = LIMITS.index(interval.limit)
    way = "LOOSER" if interval.looser else "tighter"
    values = [amount(interval.limit, sample.marks[at].value) for sample in (new, old)]
    why = [mark_why(sample.marks[at]) for sample in (new, old)]
    by = amount(interval.limit, interval.most)
    return (
        f"{when}: {plain(interval.limit)} {way} by up to {by}: {values[0]}{why[0]}, was {values[1]}{why[1]}"
    )


def plain(quantity: str) -> str:
    """The name of a quantity as it is read aloud."""
    return quantity.replace("_", " ")


def because(reason: Reason, bank: str) -> str:
    """The sentence for a reason, with its bank."""
    return f"{reason.value} (bank {bank})" if bank else reason.value


def mark_why(mark: Mark) -> str:
    """The reason of a limit in brackets, if it is known."""
    return f" ({because(mark.reason, mark.bank)})" if mark.reason is not None else ""


def id_of(text: str) -> str:
    """The identifier of a frame written as `id#hex`."""
    return text.partition("#")[0]


def number(value: float | None) -> str:
    """A decoded number, in as many digits as it has."""
    return "–" if value is None else f"{value:.10g}"


def percent(part_us: int, total_us: int) -> str:
    """A share of time."""
    return f"{100 * part_us / total_us:.1f} %"


def clock(since_us: int) -> str:
    """Time since the start, to the hundredth of a second: `+1:02:03.45`."""
    seconds, rest_us = divmod(since_us, 1_000_000)
    return f"+{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}.{rest_us // 10_000:02d}"


def lasted(us: int) -> str:
    """A length of time, as exact as a person wants it."""
    seconds = us / 1e6
    if seconds < 120:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    if minutes < 120:
        return f"{minutes} min {rest} s"
    return f"{minutes // 60} h {minutes % 60} min"
