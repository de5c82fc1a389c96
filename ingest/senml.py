"""
SenML packs (RFC 8428) to columns, in JSON and in CBOR.

What a base field says holds from its record on (section 4.1). A time below 2**28 is relative to the arrival
(section 4.5.3). A version is a set of features (RFC 9100): 10, and 26 with secondary units; older ones are read too.
An unknown label is passed over, unless it ends in "_" (section 4.4). `ut` is not used.

A record gives one reading: its `v`, its `vb`, or, where it has no value, its sum `s` (with the unit's seconds: W
becomes J). A record with base fields alone gives none.
"""

import json
from collections.abc import Mapping, Sequence
from decimal import Decimal
from io import BytesIO
from typing import Any

import cbor2
import msgspec

from ingest.columns import SWITCH, Columns, Fault, short, whole_fault
from ingest.senml_units import SECONDARY_UNITS, sum_unit

__all__ = ["decode_senml_cbor", "decode_senml_json"]

RELATIVE_BELOW_S = 2.0**28  # RFC 8428, section 4.5.3
_SECONDARY = 1 << 4  # RFC 9100, section 4
_VERSION = 10
_ODD_ENDINGS = ("_", '"')  # must be understood; a text label that has a number
_MAX_CBOR_DEPTH = 16  # a pack is an array of maps: two
_EXAMPLE = '[{"n":"hot.temp","u":"Cel","v":48.2}]'


class _Record(msgspec.Struct, gc=False):
    n: str | None = None
    v: float | None = None
    u: str | None = None
    t: float = 0.0
    bn: str | None = None
    bt: float | None = None
    bu: str | None = None
    bv: float | None = None
    bs: float | None = None
    bver: int | None = None
    vs: str | None = None
    vb: bool | None = None
    vd: Any = None  # text in JSON, bytes in CBOR
    s: float | None = None
    ut: float | None = None


_BASE_LABELS = ("bn", "bt", "bu", "bv", "bs", "bver")
_CBOR_LABELS = {-1: "bver", -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs"}  # RFC 8428, table 6
_CBOR_LABELS |= dict(enumerate(("n", "u", "v", "vs", "vb", "s", "t", "ut", "vd")))
_LABELS = frozenset(_CBOR_LABELS.values())
_SECONDARY_NAMES = frozenset(SECONDARY_UNITS)
_PACK = msgspec.json.Decoder(list[_Record])


class _Plain(msgspec.Struct, gc=False, forbid_unknown_fields=True):
    n: str
    v: float
    u: str | None = None
    t: float = 0.0


_PLAIN_PACK = msgspec.json.Decoder(list[_Plain])


def decode_senml_json(payload: bytes, *, received_s: float) -> Columns:
    """Columns of a pack in JSON; what cannot be read comes back as faults. `received_s` is the time of arrival."""
    plain = _decode_plain(payload)
    if plain is not None:
        return plain
    try:
        if b'_"' not in payload:
            return _resolve(_PACK.decode(payload), received_s=received_s)
        items = msgspec.json.decode(payload)
    except msgspec.ValidationError:
        return _decode_odd_json(payload, received_s=received_s)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        return _not_json(error, payload)
    return _one_by_one(items, received_s=received_s)


def _decode_plain(payload: bytes) -> Columns | None:
    """
    The commonest pack at twice the speed: after its first record, nothing but n, v, u and t.

    None where the pack is not so; the general way gives the same answer.
    """
    end = payload.find(b"}") + 1
    head, rest = payload[:end], payload[end:].lstrip()
    if rest[:1] != b"," or b'_"' in head:
        return None
    try:
        first = _PACK.decode(head + b"]")
        others = _PLAIN_PACK.decode(b"[" + rest[1:])
    except (msgspec.DecodeError, UnicodeDecodeError):
        return None
    base = first[0]
    if not others or base.v is None or not (base.bv is base.bs is base.vs is base.vb is base.vd is base.s is None):
        return None
    records = [_Plain(base.n or "", base.v, base.u, base.t), *others]
    return _plain_columns(
        base,
        n=[record.n for record in records],
        v=[record.v for record in records],
        u=[record.u for record in records],
        t=[record.t for record in records],
    )


def _plain_columns(
    base: _Record, *, n: Sequence[str | None], v: Sequence[float], u: Sequence[str | None], t: Sequence[float]
) -> Columns | None:
    """Columns where only the first record has base fields; None where a time is relative or a unit not allowed."""
    base_name, base_time, version = base.bn or "", base.bt or 0.0, base.bver or _VERSION
    units = tuple([base.bu if unit is None else unit for unit in u]) if None in u else tuple(u)
    times = [base_time + time for time in t] if any(t) else [base_time] * len(t)
    if min(times) < RELATIVE_BELOW_S or version not in (_VERSION, _VERSION | _SECONDARY):
        return None
    if version == _VERSION and not _SECONDARY_NAMES.isdisjoint(units):
        return None
    names = tuple([base_name + (name or "") for name in n]) if base_name or None in n else tuple(n)
    return Columns(names, units, times, v, range(len(v)))


def _decode_odd_json(payload: bytes, *, received_s: float) -> Columns:
    # The standard library reads numbers beyond float64, so that such a record is refused and not its pack.
    try:
        items = json.loads(payload)
    except (ValueError, RecursionError) as error:
        return _not_json(error, payload)
    return _one_by_one(items, received_s=received_s)


def _not_json(error: Exception, payload: bytes) -> Columns:
    return whole_fault(f"the payload is not JSON: {_not_utf8(payload) or error}; a SenML pack looks like {_EXAMPLE}")


def _not_utf8(payload: bytes) -> str:
    """Which byte is none of UTF-8, in our own words: a decoder's change from one release to the next."""
    try:
        payload.decode()
    except UnicodeDecodeError as error:
        return f"byte 0x{payload[error.start]:02x} at position {error.start} is not UTF-8"
    return ""


def decode_senml_cbor(payload: bytes, *, received_s: float) -> Columns:
    """Columns of a pack in CBOR; what cannot be read comes back as faults. `received_s` is the time of arrival."""
    stream = BytesIO(payload)
    try:
        items = cbor2.CBORDecoder(stream, max_depth=_MAX_CBOR_DEPTH).decode()
    except cbor2.CBORDecodeEOF:
        return _not_cbor("it breaks off", payload)
    except Exception as error:  # the decoders of CBOR's tags raise what they like
        return _not_cbor(str(error), payload)
    if stream.tell() != len(payload):
        return _not_cbor(f"{len(payload) - stream.tell()} bytes follow the end of the data", payload)
    if not isinstance(items, list) or not all(isinstance(item, dict) for item in items):
        return _one_by_one(items, received_s=received_s)
    spelled = [_spelled(item) for item in items]
    if any(label[-1:] in _ODD_ENDINGS for item in spelled for label in item):
        return _one_by_one(spelled, received_s=received_s)
    try:
        return _resolve(msgspec.convert(spelled, list[_Record]), received_s=received_s)
    except msgspec.ValidationError:
        return _one_by_one(spelled, received_s=received_s)


def _not_cbor(problem: str, payload: bytes) -> Columns:
    if payload.lstrip()[:2] in (b"[{", b'{"'):
        problem, remedy = "it looks like JSON", "that goes to sites/{site}/readings"
    else:
        remedy = "a SenML pack is an array of maps (RFC 8428, section 6)"
    return whole_fault(f"the payload is not CBOR: {problem}; {remedy}")


def _spelled(item: Mapping[Any, Any]) -> dict[str, Any]:
    return {_label(key): float(value) if isinstance(value, Decimal) else value for key, value in item.items()}


def _label(key: Any) -> str:
    # A text label that has a number in CBOR is not that label; it is told apart so that it cannot be taken for it.
    return _CBOR_LABELS.get(key, str(key)) if isinstance(key, int) else f'"{key}"' if key in _LABELS else str(key)


def _resolve(records: Sequence[_Record], *, received_s: float) -> Columns:
    return _resolve_plain(records) or _version_fault(records) or _resolve_any(records, received_s=received_s)


def _resolve_plain(records: Sequence[_Record]) -> Columns | None:
    """
    The common case, in columns: base fields in the first record only, each record with v, absolute times.

    None where the pack is not so; the general case gives the same answer, several times slower.
    """
    if not records:
        return None
    n, v, u, t, *others = zip(*map(msgspec.structs.astuple, records), strict=True)
    first = records[0]
    n_base = sum(value is not None for value in (first.bn, first.bt, first.bu, first.bver))
    n_absent = sum([column.count(None) for column in others])
    if None in v or n_absent + n_base != len(records) * len(others):
        return None
    return _plain_columns(first, n=n, v=v, u=u, t=t)


def _resolve_any(records: Sequence[_Record], *, received_s: float) -> Columns:
    secondary = bool((records[0].bver or _VERSION) & _SECONDARY)
    names, units, times, values, places, faults = [], [], [], [], [], []
    base = _Record()
    for index, record in enumerate(records):
        base = _advanced(base, record)
        name = (base.bn or "") + (record.n or "")
        unit = base.bu if record.u is None else record.u
        if unit in SECONDARY_UNITS and not secondary:
            faults.append(Fault(index, _secondary_fault(name, unit)))
            continue
        try:
            value, unit = _value(record, unit, base=base)
        except _NoReadingError as error:
            if str(error):
                faults.append(Fault(index, f"{_named(name)} {error}"))
            continue
        time = (base.bt or 0.0) + record.t
        names.append(name)
        units.append(unit)
        times.append(time if time >= RELATIVE_BELOW_S else time + received_s)
        values.append(value)
        places.append(index)
    return Columns(names, units, times, values, places, faults)


def _advanced(base: _Record, record: _Record) -> _Record:
    """The base fields that hold from this record on (RFC 8428, section 4.1)."""
    said = {label: value for label in _BASE_LABELS if (value := getattr(record, label)) is not None}
    return msgspec.structs.replace(base, **said) if said else base


class _NoReadingError(Exception):
    """A record gives no reading, for the reason in words; without words it was not meant to."""


def _value(record: _Record, unit: str | None, *, base: _Record) -> tuple[float, str | None]:
    given = [label for label in ("v", "vs", "vb", "vd") if getattr(record, label) is not None]
    if len(given) > 1:
        raise _NoReadingError(f"has {' and '.join(given)}; exactly one value is allowed")
    if record.v is not None or (not given and base.bv is not None and not _is_base_only(record)):
        if base.bv is None or record.v is None:  # nothing to add: -0.0 stays what it was
            return base.bv if record.v is None else record.v, unit
        return record.v + base.bv, unit
    if record.vb is not None:
        return float(record.vb), SWITCH
    if record.vs is not None:
        raise _NoReadingError(f"has the text {short(record.vs)} as value (vs); send a number (v) or a switch (vb)")
    if record.vd is not None:
        raise _NoReadingError("has data as value (vd); send a number (v) or a switch (vb)")
    if record.s is None:
        raise _NoReadingError("" if _is_base_only(record) else "has no value; send v (a number) or vb (a switch)")
    found = sum_unit(unit or "")
    if found is None:
        raise _NoReadingError(f"has a sum (s) of unit {unit or 'none'}; a sum is read of W, kW, l/s or m3/s")
    return (record.s + (base.bs or 0.0)) * float(found[1]), found[0]


def _is_base_only(record: _Record) -> bool:
    has_base = any(getattr(record, label) is not None for label in _BASE_LABELS)
    return has_base and record.n is record.u is record.s is record.ut is None and record.t == 0.0


def _version_fault(records: Sequence[_Record]) -> Columns | None:
    if not records:
        return whole_fault(f"the pack is empty; a SenML pack has one record at least, as {_EXAMPLE}")
    said = {record.bver for record in records}
    version = records[0].bver or _VERSION
    if not said <= {None, version}:
        text = " and ".join(str(each) for each in sorted((said | {version}) - {None}))
        reason = f"the pack has more than one version (bver {text}); all its records have one"
    elif version < 0 or (version > _VERSION and version & ~_SECONDARY != _VERSION):
        reason = f"the pack's version (bver) is {version}; versions up to 10 and 26 are read"
    else:
        return None
    n_readings = sum(_has_value(record) or not _is_base_only(record) for record in records)
    return whole_fault(reason, max(n_readings, 1))


def _has_value(record: _Record) -> bool:
    return not (record.v is record.vb is record.vs is record.vd is None)


def _secondary_fault(name: str, unit: str | None) -> str:
    primary = SECONDARY_UNITS[unit or ""][0]
    return (
        f"{_named(name)} has the secondary unit {unit!r}, which needs a pack of version 26; "
        f'add "bver":26 to the first record, or send {primary}'
    )


def _named(name: str) -> str:
    return short(name) if name else "without a name"


def _one_by_one(items: Any, *, received_s: float) -> Columns:
    """The careful way, for a pack in which something is amiss: a broken record does not take the others with it."""
    if not isinstance(items, list):
        kind = {dict: "an object"}.get(type(items), "a single value")
        return whole_fault(f"the payload is {kind}, not an array of records; a SenML pack looks like {_EXAMPLE}")
    records, broken = [], {}
    for index, item in enumerate(items):
        try:
            records.append(_record(item))
        except (msgspec.ValidationError, _NoReadingError) as error:
            broken[index] = str(error)
            try:
                records.append(_base_of(item))
            except (msgspec.ValidationError, _NoReadingError) as base_error:
                return whole_fault(f"record {index}: {base_error}, and the records after it depend on that", len(items))
    columns = _resolve(records, received_s=received_s)
    if any(fault.record is None for fault in columns.faults):
        return columns
    faults = {fault.record: fault for fault in columns.faults}
    faults |= {index: Fault(index, reason) for index, reason in broken.items()}
    return msgspec.structs.replace(columns, faults=[faults[index] for index in sorted(faults)])


def _record(item: Any) -> _Record:
    if not isinstance(item, dict):
        raise _NoReadingError(f"is {short(item)}; a record is an object with n and v")
    for label in item:
        if label.endswith("_"):
            raise _NoReadingError(f"has the label {short(label)}, which asks to be understood and is not known here")
        if label[:1] == '"':
            number = next(number for number, text in _CBOR_LABELS.items() if f'"{text}"' == label)
            raise _NoReadingError(f"has the text label {label}; in CBOR this label is the number {number}")
    return _converted(item)


def _base_of(item: Any) -> _Record:
    """The base fields of a record that is otherwise broken; those must be right, or what follows is not known."""
    if not isinstance(item, Mapping):
        return _Record()
    unknown = [label for label in item if label.startswith("b") and label.endswith("_")]
    if unknown:
        raise _NoReadingError(f"has the base label {short(unknown[0])}, which asks to be understood and is not known")
    return _converted({label: item[label] for label in _BASE_LABELS if label in item})


def _converted(item: Mapping[str, Any]) -> _Record:
    try:
        return msgspec.convert(item, _Record)
    except msgspec.ValidationError as error:
        problem, _, place = str(error).partition(" - at `$.")
        label = place.rstrip("`")
        given = f"{label} = {short(item[label])}: " if label in item else ""
        raise _NoReadingError(f"{given}{_plainly(problem)}") from error


def _plainly(problem: str) -> str:
    for technical, plain in (
        ("`float | null`", "a number"),
        ("`str | null`", "a text"),
        ("`int | null`", "an integer"),
    ):
        problem = problem.replace(technical, plain)
    return problem.replace("Expected", "expected").replace("`", "")
