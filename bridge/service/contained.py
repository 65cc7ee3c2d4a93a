"""A wall around what must not hurt: whatever is told or kept may fail at any call, and the loop goes on."""

from collections.abc import Callable
from typing import Any, TypeVar, cast

_Inner = TypeVar("_Inner")

Failed = Callable[[str, Exception], None]
"""Takes the name of the call that failed, and how."""


def contained(inner: _Inner, failed: Failed) -> _Inner:
    """The same thing, whose calls never raise an `Exception`: one that fails gives `None` instead.

    Args:
        inner: what does the work.
        failed: is told of each failure; what it raises itself is dropped.
    """
    return cast(_Inner, _Contained(inner, failed))


class _Contained:
    """Stands before something else. A call is looked up once; from then on it costs one call more."""

    def __init__(self, inner: object, failed: Failed) -> None:
        self._inner = inner
        self._failed = failed

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._inner, name)
        if not callable(found):
            return found
        failed = self._failed

        def call(*args: Any, **values: Any) -> Any:
            try:
                # Looked up anew, because it may be another one by now.
                return getattr(self._inner, name)(*args, **values)
            except Exception as problem:
                _tell(failed, name, problem)
                return None

        self.__dict__[name] = call
        return call


def _tell(failed: Failed, name: str, problem: Exception) -> None:
    try:
        failed(name, problem)
    except Exception:  # nobody is left to tell
        return
