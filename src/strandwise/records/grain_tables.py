"""The table `[grain]` of a firing as a shape of the motor room, and what is known beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from strandwise.errors import DataError
from strandwise.motor import (
    FACES,
    AreaTable,
    EndBurner,
    HollowCylinder,
    MultiCore,
    offset_core_area_table,
)
from strandwise.records.firing_fields import GRAIN_FIELDS
from strandwise.records.model import GrainUncertainty, OffsetCore
from strandwise.records.tomltable import describe

if TYPE_CHECKING:
    from strandwise.motor import Grain
    from strandwise.records.tomltable import TomlTable

__all__ = ["GrainReading", "read_grain_table"]

_SIZES = sorted({field.name for fields in GRAIN_FIELDS.values() for field in fields})


@dataclass(frozen=True, slots=True)
class GrainReading:
    """What a `[grain]` says; the attributes are those of `Firing`."""

    grain: Grain
    uncertainty: GrainUncertainty
    free_volume: float | None
    offset_core: OffsetCore | None = None


def read_grain_table(top: TomlTable) -> GrainReading | None:
    """Read the `[grain]` below a firing's top table; None, with faults kept, where it has any."""
    table = top.table("grain")
    if table is None:
        if "grain" not in top.values and not top.seems_misspelt("grain"):
            top.fault(
                ["grain"],
                "missing-table",
                "there is no [grain]",
                'a table [grain] with shape = "hollow-cylinder" and its sizes',
            )
        return None
    before = len(table.findings)
    shape = table.values.get("shape")
    if not isinstance(shape, str) or shape not in GRAIN_FIELDS:
        _refuse_shape(table, shape)
        return None
    others = ["shape"] if shape == "area-table" else ["shape", "inhibited"]
    values: dict[str, Any] = table.read(GRAIN_FIELDS[shape], others=others)
    inhibited = _inhibited(table)
    if len(table.findings) > before:
        return None
    try:
        return _reading(shape, values, inhibited)
    except DataError as error:
        table.size_fault("bad-grain", error)
        return None


def _reading(shape: str, values: dict[str, Any], inhibited: frozenset[str]) -> GrainReading:
    free_volume = values.pop("free_volume", None)
    sds = {name: values.pop(name) for name in list(values) if name.endswith("_sd")}
    offset = values.pop("core_offset", None)
    grain: Grain
    offset_core = None
    if shape == "hollow-cylinder":
        grain = cylinder = HollowCylinder(inhibited=inhibited, **values)
        if offset:
            offset_core = OffsetCore(cylinder, offset)
            grain = _offset_grain(offset_core)
    elif shape == "multi-core":
        grain = MultiCore(inhibited=inhibited, **values)
    elif shape == "end-burner":
        values["diameter"] = values.pop("outer_diameter")
        grain = EndBurner(inhibited=inhibited or frozenset({"outer"}), **values)
    else:
        grain = AreaTable(**values)
    return GrainReading(grain, GrainUncertainty(**sds), free_volume, offset_core)


def _offset_grain(measured: OffsetCore) -> AreaTable:
    cylinder = measured.cylinder
    if cylinder.length is None:
        msg = "a core off the axis in segments of unequal lengths"
        raise DataError(
            msg,
            expected="length and segments beside core_offset",
            hint="take the mean length where they hardly differ, or write an area table",
        )
    return offset_core_area_table(
        cylinder.outer_diameter,
        cylinder.core_diameter,
        measured.offset,
        cylinder.length,
        segments=cylinder.segments,
        inhibited=cylinder.inhibited,
        mass=cylinder.mass,
        density=cylinder.density,
    )


def _refuse_shape(table: TomlTable, shape: object) -> None:
    wanted = " or ".join(f'"{known}"' for known in GRAIN_FIELDS)
    if shape is not None:
        table.fault(["shape"], "bad-value", f"{describe(shape)} is no shape of a grain", wanted)
        return
    table.check_keys(["shape", "inhibited", *_SIZES])
    if not table.seems_misspelt("shape"):
        table.fault(["shape"], "missing-field", "`shape` is missing", wanted)


def _inhibited(table: TomlTable) -> frozenset[str]:
    raw = table.values.get("inhibited", [])
    faces = [raw] if isinstance(raw, str) else raw
    if not isinstance(faces, list) or not all(
        isinstance(face, str) and face in FACES for face in faces
    ):
        table.fault(
            ["inhibited"],
            "bad-value",
            f"`inhibited` names something else than faces of the grain: {_listed(raw)}",
            'a list of "outer", "core", "ends", "one-end", such as ["outer"]',
        )
        return frozenset()
    return frozenset(faces)


def _listed(raw: object) -> str:
    if isinstance(raw, list) and raw:
        return ", ".join(describe(item) for item in raw[:5])
    return describe(raw)
