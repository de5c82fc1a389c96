"""Loops that numpy cannot say in one go, compiled: the decorator that does it."""

from collections.abc import Callable
from typing import Any, TypeVar

from numba import njit

__all__ = ["compiled"]

_Function = TypeVar("_Function", bound=Callable[..., Any])


def compiled(function: _Function) -> _Function:
    """
    The function, compiled at its first call for the types it is called with, and kept on disk where there is a place.

    What it does with numbers is what Python would do, step by step, except that a division by zero gives no error. It
    may call others that are compiled, of its own file only: a copy kept on disk is as fresh as its file.
    """
    try:
        made: Any = njit(cache=True, error_model="numpy")(function)
    except RuntimeError:  # nowhere to keep it
        made = njit(error_model="numpy")(function)
    return made  # type: ignore[no-any-return]
