"""The register of checks: each module declares one, and everything else is made from the declaration."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Final, TypeVar

from inspect_app.capture import Capture
from inspect_app.measure._options import CheckOptions
from inspect_app.model import Measured


@dataclass(frozen=True, slots=True, kw_only=True)
class Needs:
    """What captures of one role a check takes: the kinds it reads, and how many files.

    `kinds` are of ``still``, ``film`` and ``log``. Readings instead of files are declared by `at_least` 0.
    """

    kinds: tuple[str, ...]
    at_least: int = 1
    at_most: int | None = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One check: its name, method, quantities with their units, options, captures and computation."""

    name: str
    title: str
    method: str
    quantities: Mapping[str, str]
    options: type[CheckOptions]
    needs: Mapping[str, Needs] = field(default_factory=dict)
    only_with: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    highest: Callable[[Mapping[str, object]], Mapping[str, float]] = field(default=lambda _: {})
    run: Callable[[tuple[Capture, ...], Any], Measured]


Options = TypeVar("Options", bound=CheckOptions)

_found: dict[str, Check] = {}
CHECKS: Final[Mapping[str, Check]] = MappingProxyType(_found)
"""Every check by its name; read only."""


def check(
    name: str,
    *,
    title: str,
    method: str,
    quantities: Mapping[str, str],
    options: type[Options],
    needs: Mapping[str, Needs] | None = None,
    only_with: Mapping[str, tuple[str, ...]] | None = None,
    highest: Callable[[Mapping[str, object]], Mapping[str, float]] = lambda _: {},
) -> Callable[[Callable[[tuple[Capture, ...], Options], Measured]], Callable[[tuple[Capture, ...], Options], Measured]]:
    """Register the decorated function as a check.

    Parameters
    ----------
    name : str
        As on the command line and in forms.
    title : str
        For people.
    method : str
        Standard, edition and clause, as printed.
    quantities : mapping of str to str
        Name of each quantity that may come out, and its unit.
    options : type
        The options model.
    needs : mapping of str to Needs, optional
        Role of the captures (``scene`` are the command's files, any other is an option of that name) to what is taken.
    only_with : mapping of str to tuple of str, optional
        Quantities that come out only when one of these options is given.
    highest : callable, optional
        From options that are fixed beforehand to the highest value that each quantity can show, in its unit.

    Raises
    ------
    ValueError
        The name is taken.
    """

    def register(
        run: Callable[[tuple[Capture, ...], Options], Measured],
    ) -> Callable[[tuple[Capture, ...], Options], Measured]:
        if name in _found:
            raise ValueError(f"two checks are called {name}")
        _found[name] = Check(
            name=name,
            title=title,
            method=method,
            quantities=MappingProxyType(dict(quantities)),
            options=options,
            needs=MappingProxyType(dict(needs or {})),
            only_with=MappingProxyType(dict(only_with or {})),
            highest=highest,
            run=run,
        )
        return run

    return register
