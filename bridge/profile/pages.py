"""Which pages of a multiplexed message must be sent so that every mapped signal goes out."""

from collections.abc import Mapping, Sequence

from bridge.core.wire.codec import Field

Page = dict[str, int]
"""Raw number of each multiplexer signal that matters on this page."""


def pages_for(fields: Sequence[Field], fixed: Mapping[str, int]) -> tuple[list[Page], list[Field]]:
    """The fewest pages found that show every field, in the order of their multiplexer numbers.

    Fields that say most about their page are placed first; each goes onto the first page that does not
    contradict it. Nested multiplexers are part of a field's chain and need nothing special.

    Args:
        fields: all fields that must be sent.
        fixed: multiplexer signals that the user gave a fixed number.

    Returns:
        The pages, at least one, and the fields that no page can show because `fixed` forbids it.
    """
    pages: list[Page] = []
    lost = []
    for field in sorted(fields, key=lambda one: (-len(one.mux), sum(len(raws) for _, raws in one.mux))):
        if not field.mux or any(all(page.get(name) in raws for name, raws in field.mux) for page in pages):
            continue
        if any(name in fixed and fixed[name] not in raws for name, raws in field.mux) or not all(
            raws for _, raws in field.mux
        ):
            lost.append(field)
            continue
        page = next((page for page in pages if _agrees(page, field)), None)
        if page is None:
            page = dict(fixed)
            pages.append(page)
        for name, raws in field.mux:
            page.setdefault(name, min(raws))
    pages.sort(key=lambda page: list(page.values()))
    return pages or [dict(fixed)], lost


def _agrees(page: Page, field: Field) -> bool:
    return all(name not in page or page[name] in raws for name, raws in field.mux)


def is_on(field: Field, page: Page, initial: Mapping[str, int]) -> bool:
    """Whether a page shows the field; multiplexers it does not name have their `initial` raw number."""
    return all(page.get(name, initial[name]) in raws for name, raws in field.mux)
