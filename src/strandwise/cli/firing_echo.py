"""What `strandwise log firing` understood, said back to the person who typed it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from strandwise.cli.common import terminal_columns

if TYPE_CHECKING:
    from strandwise.records import Firing
    from strandwise.workflow.firing_recording import FiringPreview
    from strandwise.workflow.firing_sizes import FiringSizes

__all__ = ["echo_of", "sizes_json"]

_OPEN = {"outer": "outside", "core": "core", "ends": "both ends", "one-end": "one end"}


def echo_of(preview: FiringPreview, units: str) -> list[str]:
    """Lines that draw grain and nozzle and name what their sizes come to.

    Parameters
    ----------
    preview
        The firing as understood.
    units
        The campaign's choice of units.
    """
    rows = _rows(preview.firing, preview.sizes, units)
    width = max(len(name) for name, _ in rows)
    lines = _drawn(preview.firing)
    return [*lines, *(f"  {name:<{width}}  {text}" for name, text in rows)]


def sizes_json(sizes: FiringSizes) -> dict[str, Any]:
    """The same for programs."""

    def scaled(value: float | None, unit: float) -> float | None:
        return None if value is None else value / unit

    return {
        "web_mm": sizes.web * 1e3,
        "port_mm2": scaled(sizes.port, 1e-6),
        "burning_area_mm2": sizes.burning_area * 1e6,
        "throat_area_mm2": scaled(sizes.throat_area, 1e-6),
        "initial_kn": sizes.kn,
        "propellant_volume_cm3": sizes.volume * 1e6,
        "density_g_cm3": scaled(sizes.density, 1e3),
        "void_free_density_g_cm3": scaled(sizes.void_free_density, 1e3),
    }


def _drawn(firing: Firing) -> list[str]:
    from strandwise.motor import AreaTable
    from strandwise.report.grain_sketch import grain_sketch

    offset = 0.0 if firing.offset_core is None else firing.offset_core.offset
    grain = firing.grain if firing.offset_core is None else firing.offset_core.cylinder
    if isinstance(grain, AreaTable):
        return []
    sketch = [f"  {line}".rstrip() for line in grain_sketch(grain, offset, room=_room())]
    return ["", "  across, and along the axis (# is propellant)", *sketch, ""]


def _room() -> int | None:
    columns = terminal_columns()
    return None if columns is None else columns - 2


def _rows(firing: Firing, sizes: FiringSizes, units: str) -> list[tuple[str, str]]:
    from strandwise.report.labels import format_number

    rows = _grain_rows(firing)
    rows.append(("web", f"{_in(sizes.web, units, 'mm', 'in', 4)}, the depth that burns"))
    if sizes.port is not None:
        ratio = ""
        if sizes.throat_area is not None:
            ratio = f", {format_number(sizes.port / sizes.throat_area)} times the throat"
        rows.append(("port", _area(sizes.port, units) + ratio))
    rows.append(("burning area", f"{_area(sizes.burning_area, units)} as it lights"))
    if sizes.throat_area is None or sizes.kn is None:
        rows.append(("nozzle", "none given: no Kn, and no pressure from thrust"))
    else:
        rows.append(("throat area", _area(sizes.throat_area, units)))
        rows.append(("Kn", f"{format_number(sizes.kn)} as it lights (burning over throat area)"))
    rows.append(("propellant", f"{_volume(sizes.volume, units)} by its sizes"))
    rows.append(("density", _density(firing, sizes, units)))
    return rows


def _grain_rows(firing: Firing) -> list[tuple[str, str]]:
    from strandwise.motor import AreaTable, EndBurner

    grain = firing.grain if firing.offset_core is None else firing.offset_core.cylinder
    if isinstance(grain, AreaTable):
        return [("grain", f"area table of {len(grain.web)} depths")]
    if isinstance(grain, EndBurner):
        return [("burns", "one end")]
    return [("burns", _burning(grain.inhibited)), ("does not burn", _inhibited(grain.inhibited))]


def _burning(inhibited: frozenset[str]) -> str:
    faces = [_OPEN[face] for face in ("core", "outer") if face not in inhibited]
    if "ends" not in inhibited:
        faces.append("one end of each segment" if "one-end" in inhibited else "both ends")
    return ", ".join(faces)


def _inhibited(inhibited: frozenset[str]) -> str:
    return ", ".join(text for face, text in _OPEN.items() if face in inhibited) or "no face"


def _density(firing: Firing, sizes: FiringSizes, units: str) -> str:
    from strandwise.report.labels import format_number

    stated = firing.grain.density
    found, source = (sizes.density, "") if sizes.density is not None else (stated, " as stated")
    if found is None:
        return "not known: give the propellant's mass, and c* and the mass balance come with it"
    text = f"{_in(found, units, 'g/cm3', 'lb/in3', 4)}{source}"
    if sizes.void_free_density is None:
        return f"{text}; the recipe's without voids is not known"
    share = format_number(100.0 * found / sizes.void_free_density)
    void_free = _in(sizes.void_free_density, units, "g/cm3", "lb/in3", 4)
    return f"{text}, {share} % of the recipe's {void_free} without voids"


def _area(value: float, units: str) -> str:
    return _in(value, units, "mm2", "in2", 4)


def _volume(value: float, units: str) -> str:
    return _in(value, units, "cm3", "in3", 4)


def _in(value: float, units: str, metric: str, inch_pound: str, digits: int) -> str:
    from strandwise.report.labels import format_number, unit_text
    from strandwise.units import from_si, kinds_of_unit, parse_unit, shown_unit

    (kind,) = kinds_of_unit(metric)
    unit = parse_unit(shown_unit(units, kind, metric, inch_pound), kind)
    return f"{format_number(from_si(value, unit), digits=digits)} {unit_text(unit)}"
