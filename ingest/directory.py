"""
The directory: which sites, points and topics are known, as numbers. It is made anew when a site changes.

A `Directory` is a value that many threads read at once. What it finds out about a (name, unit) it remembers.
"""

import difflib
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from analytics.site import Point, Quantity, Site
from analytics.units import known_units, si_unit
from ingest.columns import SWITCH, short
from ingest.senml_units import to_site_unit

Shape = tuple[NDArray[np.int32], NDArray[np.int32]]

__all__ = ["Channel", "Conversion", "Directory", "DirectorySource", "Lookup", "Shape", "directory_of"]

_NAME_CHARS = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-:./_")  # RFC 8428, 4.5.1
_MAX_SHAPES = 256  # a gateway has a few; one that shuffles its records must not fill the memory


@dataclass(frozen=True, slots=True)
class Channel:
    """A point that a gateway publishes as a plain value: `series` of the directory, `name` = "site/point"."""

    series: int
    name: str
    point: Point


@dataclass(frozen=True, slots=True)
class Conversion:
    """First scale * value + offset, which is in `from_unit`; then from that to `to_unit`."""

    quantity: Quantity
    from_unit: str
    to_unit: str
    scale: Fraction = Fraction(1)
    offset: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True)
class Lookup:
    """
    The names that one topic may use.

    Args:
        site: The topic's site; "" where the names carry their site.
        series: Name to series.
        shapes: What came before: the names and units of a whole payload to series and conversions, an array each.
    """

    site: str
    series: Mapping[str, int]
    shapes: dict[tuple[Sequence[str], Sequence[str | None]], Shape] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Directory:
    """
    Args:
        names: (site, point) of each series.
        points: The point of each series. Same length.
        sites: Site to what a pack on its topics may name.
        channels: Topic to the points that are published there as plain values.
        qualified: Names of the form "site/point", of all sites.
        conversions: Those that readings asked for so far, by number; number 0 is none at all.
    """

    names: Sequence[tuple[str, str]]
    points: Sequence[Point]
    sites: Mapping[str, Lookup]
    channels: Mapping[str, Sequence[Channel]]
    qualified: Lookup
    conversions: list[Conversion | None] = field(default_factory=lambda: [None], compare=False)
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False, compare=False)

    def find(self, lookup: Lookup, name: str, unit: str | None) -> tuple[int, int]:
        """
        The series of a name, and the number of the conversion that brings its value into the point's own unit.

        Raises:
            LookupError: With the sentence for the user, where the name is not known or the unit does not convert.
        """
        series = lookup.series.get(name)
        if series is None:
            raise LookupError(_unknown_name(self, lookup, name))
        conversion = _conversion(self.points[series], unit)
        with self._lock:
            if conversion not in self.conversions:
                self.conversions.append(conversion)
            return series, self.conversions.index(conversion)

    def remember(self, lookup: Lookup, names: Sequence[str], units: Sequence[str | None], shape: Shape) -> None:
        """Keep what a payload's names and units came to: the same gateway sends the same ones again."""
        with self._lock:
            if len(lookup.shapes) >= _MAX_SHAPES:
                lookup.shapes.clear()
            lookup.shapes[names, units] = shape

    def nearest_site(self, site: str) -> str:
        """Words that suggest a known site, or none."""
        return _nearest(site, self.sites)


DirectorySource = Callable[[], Directory]
"""Gives the directory that holds now: the same object as long as nothing changed."""


def directory_of(sites: Iterable[Site]) -> Directory:
    """The directory of a set of sites."""
    names: list[tuple[str, str]] = []
    points: list[Point] = []
    lookups: dict[str, Lookup] = {}
    channels: dict[str, list[Channel]] = {}
    qualified: dict[str, int] = {}
    for site in sites:
        own: dict[str, int] = {}
        for point in site.points.values():
            series, name = len(names), f"{site.id}/{point.id}"
            names.append((site.id, point.id))
            points.append(point)
            own[point.id] = own[name] = qualified[name] = series
            if point.topic is not None:
                channels.setdefault(point.topic, []).append(Channel(series, name, point))
        lookups[site.id] = Lookup(site.id, own)
    plain = {topic: tuple(found) for topic, found in channels.items()}
    return Directory(tuple(names), tuple(points), lookups, plain, Lookup("", qualified))


def _conversion(point: Point, unit: str | None) -> Conversion | None:
    if unit == SWITCH:
        if point.quantity != "status":
            raise LookupError(f"{short(point.id)} is a {point.quantity}, and its value is a switch (vb); send v")
        return None
    if unit is None or unit == point.unit:
        return None
    found = to_site_unit(unit, point.quantity)
    if found is None or si_unit(point.quantity, found[0]) != si_unit(point.quantity, point.unit):
        units = ", ".join(known_units(point.quantity))
        raise LookupError(
            f"{short(point.id)} has the unit {short(unit)}, which does not convert to {point.unit}, "
            f"the point's unit; {point.quantity} may come as {units}"
        )
    return Conversion(point.quantity, found[0], point.unit, found[1], found[2])


def _unknown_name(directory: Directory, lookup: Lookup, name: str) -> str:
    if not name:
        return "has no name; n, or bn and n together, name the point"
    bad = sorted(set(name) - _NAME_CHARS)
    if bad or not name[0].isalnum():
        return f"{short(name)} is no SenML name; it starts with a letter or digit and has only those and - : . / _"
    site, slash, _ = name.partition("/")
    if slash and site != lookup.site and site in directory.sites:
        return f"{short(name)} names a point of site {short(site)} on a topic of site {short(lookup.site)}"
    return f"{short(name)} is not a point of site {short(lookup.site)}{_nearest(name, lookup.series)}"


def _nearest(text: str, known: Iterable[str]) -> str:
    found = difflib.get_close_matches(text, list(known), n=1, cutoff=0.7)
    return f"; did you mean {found[0]!r}?" if found else ""
