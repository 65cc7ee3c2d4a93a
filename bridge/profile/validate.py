"""A parsed profile against its schema, with every wrong key in words for the person."""

from typing import Any, get_args

from pydantic import ValidationError

from bridge.errors import Problem, Severity
from bridge.profile.findings import Findings, near
from bridge.profile.schema import Profile
from bridge.profile.schema_base import Section, path_text, shown


def validated(raw: dict[str, Any], findings: Findings) -> Profile | None:
    """The profile, or `None` after noting every wrong key.

    Where the wrong keys can be done without, the profile without them is returned, so that the problems
    beyond them are found in the same go; the caller sees from the findings that it is not to be used.
    """
    try:
        return Profile.model_validate(raw)
    except ValidationError as error:
        details = error.errors(include_url=False)
    places = [detail["loc"] for detail in details]
    # A list whose only entry is wrong also counts as empty: that is no second problem.
    details = [
        detail
        for detail in details
        if detail["type"] != "too_short"
        or not any(
            place != detail["loc"] and place[: len(detail["loc"])] == detail["loc"] for place in places
        )
    ]
    for detail in details:
        findings.problems.append(_translated(detail, findings.file))
    pruned = raw
    for detail in details:
        pruned = _without(pruned, _visible(detail["loc"]))
    try:
        return Profile.model_validate(pruned)
    except ValidationError:
        return None


def _visible(loc: tuple[str | int, ...]) -> tuple[str | int, ...]:
    """The place as the user knows it: without the marks that tell one kind of table from another."""
    return tuple(part for part in loc if not (isinstance(part, str) and part.startswith("<")))


def _without(tree: Any, loc: tuple[str | int, ...]) -> Any:
    """The tree without what stands at `loc`; of an array, nothing is taken out, so that positions stay."""
    if not loc or not isinstance(tree, dict | tuple):
        return tree
    head, rest = loc[0], loc[1:]
    if isinstance(tree, tuple):
        if not isinstance(head, int) or head >= len(tree):
            return tree
        return (*tree[:head], _without(tree[head], rest), *tree[head + 1 :])
    if rest:
        return {key: _without(one, rest) if key == head else one for key, one in tree.items()}
    return {key: one for key, one in tree.items() if key != head}


_ALLOWED = {
    "missing": "a value",
    "float_type": "a number",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "string_type": "a text in quotes",
    "tuple_type": "a list in [ ]",
    "dict_type": "a table",
    "model_type": "a table",
    "finite_number": "a finite number",
    "datetime_type": "a date, time and offset, as 2026-12-01T12:00:00+01:00",
    "timezone_aware": "an offset as well, as in 2026-12-01T12:00:00+01:00",
    "string_too_short": "a text that is not empty",
}
"""What to say for the kinds of error pydantic tells apart; the others have words of their own."""


def _translated(detail: Any, file: str) -> Problem:
    """One error of pydantic in our words."""
    kind, loc, value = detail["type"], detail["loc"], detail["input"]
    context = detail.get("ctx", {})
    key = path_text(_visible(loc))
    if kind == "profile":
        found, allowed = context["found"], context["allowed"]
    elif kind == "extra_forbidden":
        found, allowed = "unknown key", near(str(loc[-1]), _known_keys(loc))
    else:
        found = "nothing" if kind == "missing" else shown(value)
        allowed = _ALLOWED.get(kind) or detail["msg"].removeprefix("Input should be ")
        if "max_length" in context:
            found = f"{context.get('actual_length') or 'too many'} of them"
            allowed = f"at most {context['max_length']}"
        elif "length" in context or "min_length" in context:
            found = f"{context.get('actual_length', 'too few')} of them"
            allowed = f"at least {context.get('min_length')}"
    return Problem(Severity.FAIL, file, key, found, allowed)


def _known_keys(loc: tuple[str | int, ...]) -> list[str]:
    """The keys that the table at a place may have."""
    tables: list[type[Section]] = [Profile]
    for part in loc[:-1]:
        if isinstance(part, int):
            continue
        if part.startswith("<"):
            tables = [table for table in tables if table.tag == part]
        elif any(part in table.model_fields for table in tables):
            annotations = [
                table.model_fields[part].annotation for table in tables if part in table.model_fields
            ]
            tables = [found for annotation in annotations for found in _sections(annotation)]
    return [name for table in tables for name in table.model_fields]


def _sections(annotation: Any) -> list[type[Section]]:
    """All sections an annotation speaks of."""
    if isinstance(annotation, type) and issubclass(annotation, Section):
        return [annotation]
    return [found for part in get_args(annotation) for found in _sections(part)]
